"""Rule ``seal-present``: the image has a seal where one is required."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.seal_evidence import of_seal, seal_elsewhere
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.seal import SealUnderCheck
from gemel.outcomes import Finding, Holds, Outcome
from gemel.spans import format_address


@of_seal()
def check(inspection: Inspection, seal: SealUnderCheck) -> Iterator[Outcome]:
    """One outcome for the seal's area."""
    if not seal.absent:
        yield Holds(seal.where)
    else:
        from gemel.inspection.altered.changed_bytes import cut_before, cut_causes

        cut = inspection.record is None
        lines, causes = seal_elsewhere(inspection, seal)
        yield Finding(
            "the image has no seal",
            (seal.plan.area,),
            where=seal.where,
            found="every byte of the area is erased",
            expected=f"a seal ({seal.demands.demanded_by})",
            span=seal.span,
            lines=cut_before(inspection, seal.span) if cut else lines,
            follows_from=cut_causes(inspection, seal.span) if cut else causes,
            next_step=f"get the image again as it was sealed: the seal belongs at {format_address(seal.span.start)}"
            if lines and not causes
            else "",
        )


RULE = Rule(
    name="seal-present",
    severity="error",
    guards="image",
    checks="Where the layout or the receiver (--trust, --policy) requires a seal, its area holds something.",
    why="Without a seal nothing shows who made this image: anyone who can change it can make every checksum "
    "and digest in it right again. A device that demands a seal refuses it, in the field if not before.",
    remedy="Seal the image (gemel sign), or get the sealed one from where it was joined.",
    source="RFC 9124 section 4.2.9, THREAT.IMG.NON_AUTH (draft 13 read)",
    absent="the layout has no seal",
    check=check,
    only_with="seal",
)
