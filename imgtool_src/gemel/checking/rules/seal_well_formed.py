"""Rule ``seal-well-formed``: the seal's area holds a seal in its one form, and erased bytes after it."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.seal_evidence import of_seal, seal_elsewhere
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.seal import SealUnderCheck
from gemel.outcomes import Finding, Holds, Outcome


@of_seal()
def check(inspection: Inspection, seal: SealUnderCheck) -> Iterator[Outcome]:
    """One finding for each thing that is wrong with the seal's bytes."""
    if seal.absent and (missing := seal.unreadable()):
        yield missing
    elif seal.error:
        from gemel.seals.format import SealFault

        lines, causes = seal_elsewhere(inspection, seal)
        if seal.error.faults == (SealFault.BYTES_BEHIND,):
            causes = (("image-inside-areas", inspection.layout.memory_of(seal.plan.area).name),)
        for problem in seal.error.problems:
            yield Finding(
                f"the seal is not well formed: {problem.what}",
                (seal.plan.area,),
                where=problem.where,
                found=problem.found or "other bytes",
                expected=problem.expected or "a seal in its one form",
                span=seal.span,
                next_step=problem.next_step,
                lines=lines,
                follows_from=causes,
            )
    else:
        yield Holds(seal.where)


RULE = Rule(
    name="seal-well-formed",
    severity="error",
    guards="image",
    checks="The seal's area begins with a seal in its one deterministic form, and every byte after it is "
    "erased.",
    why="A reader on the device accepts nothing else. Bytes that no form accounts for could hold anything: "
    "they are what no digest and no signature covers.",
    remedy="Seal the image again (gemel sign), or get it again from where it was sealed.",
    source="RFC 9052 section 4.1 (COSE_Sign); RFC 8949 section 4.2.1 (deterministic encoding); "
    "`gemel explain seal`",
    absent="the layout has no seal",
    check=check,
    only_with="seal",
)
