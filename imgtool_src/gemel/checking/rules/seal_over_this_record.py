"""Rule ``seal-over-this-record``: the signatures of trusted keys hold over the record's exact bytes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.checking.findings.seal_evidence import of_seal
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.seal import SealUnderCheck, of_outcome, signer_words
from gemel.outcomes import Finding, Holds, NotChecked, Outcome

if TYPE_CHECKING:
    from gemel.seals.seal import Verdict


@of_seal(SealUnderCheck.unverifiable)
def check(inspection: Inspection, seal: SealUnderCheck) -> Iterator[Outcome]:
    """One outcome for each signer with a trusted key; a finding where there is no record to hold over."""
    if seal.record_bytes is None:
        plan = inspection.layout.record
        yield Finding(
            "there is no sound record that the seal could be over",
            _parties(inspection, seal),
            where=seal.where,
            found="no sound record" if plan else "the layout has no record",
            expected="the record that was sealed",
            next_step="" if plan else "name the record's area in a table [record] of the layout",
            span=seal.span,
            follows_from=(("record-sound", plan.area),) if plan else (),
        )
    else:
        from gemel.seals.seal import SignatureOutcome

        judged = list(of_outcome(seal, SignatureOutcome.GOOD, SignatureOutcome.BAD_SIGNATURE))
        for verdict in judged:
            words = signer_words(verdict.signer)
            yield Holds(words) if verdict.good else _finding(inspection, seal, verdict, seal.record_bytes)
        if not judged:
            yield NotChecked(seal.where, "no signer has a trusted key of its algorithm")


def _finding(inspection: Inspection, seal: SealUnderCheck, verdict: Verdict, record: bytes) -> Finding:
    from gemel.seals.diagnosis import SignatureFault, reason_for

    previous = inspection.previous
    reason = SignatureFault.UNKNOWN
    if verdict.key:
        others = any(each.good for each in seal.verdicts)
        other_record = previous.data if previous else None
        reason = reason_for(verdict.signer, verdict.key, record, other_record, others_hold=others)
    source = f", of {previous.name}" if previous and reason is SignatureFault.MOVED else ""
    return Finding(
        "a signature does not hold over this record",
        _parties(inspection, seal),
        where=seal.where,
        found=f"{signer_words(verdict.signer)}: {reason.value}{source}",
        expected="a signature over this record's bytes",
        span=seal.span,
    )


def _parties(inspection: Inspection, seal: SealUnderCheck) -> tuple[str, ...]:
    record = inspection.layout.record
    return (seal.plan.area, record.area) if record else (seal.plan.area,)


RULE = Rule(
    name="seal-over-this-record",
    severity="error",
    guards="image",
    checks="The signature of each signer with a trusted key holds over the record's exact bytes.",
    why="The signature is what ties the record, and through its digests every byte of the image, to a key. "
    "One that does not hold was damaged, or made for another image and moved here.",
    remedy="Get the image again from where it was sealed; if its record was changed on purpose, join and "
    "seal it again.",
    source="RFC 9052 section 4.4 (signing and verification process); RFC 9124 section 4.2.9, "
    "THREAT.IMG.NON_AUTH (draft 13 read)",
    absent="the layout has no seal",
    check=check,
    only_with="seal",
)
