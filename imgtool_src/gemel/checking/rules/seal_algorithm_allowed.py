"""Rule ``seal-algorithm-allowed``: every signer of the seal has an algorithm that is allowed."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.seal_evidence import of_seal
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.seal import SealUnderCheck, signer_words
from gemel.outcomes import Finding, Holds, Outcome


@of_seal(SealUnderCheck.unreadable)
def check(inspection: Inspection, seal: SealUnderCheck) -> Iterator[Outcome]:
    """One outcome for each signer, be its key trusted or not."""
    from gemel.seals.seal import SignatureOutcome

    for verdict in seal.verdicts:
        signer = verdict.signer
        if signer.algorithm not in seal.allowed:
            yield Finding(
                "a signer has an algorithm that is not allowed",
                (seal.plan.area,),
                where=seal.where,
                found=signer_words(signer),
                expected=", ".join(algorithm.name for algorithm in seal.allowed)
                or "none that layout and policy both allow",
                span=seal.span,
            )
        elif verdict.outcome is SignatureOutcome.OTHER_ALGORITHM and verdict.key:
            yield Finding(
                "a signer names another algorithm than its key has",
                (seal.plan.area,),
                where=seal.where,
                found=signer_words(signer),
                expected=f"{verdict.key.algorithm.name}, as the trusted key has",
                span=seal.span,
            )
        else:
            yield Holds(signer_words(signer))


RULE = Rule(
    name="seal-algorithm-allowed",
    severity="error",
    guards="image",
    checks="Each signer of the seal uses an algorithm that layout and policy allow, and each trusted key its own.",
    why="A seal is as strong as the weakest algorithm that is accepted: anyone who can break an old one, or one "
    "that the device does not know, can seal anything.",
    remedy="Seal the image with an allowed algorithm, or add the algorithm to [seal] if it is meant.",
    source="RFC 9124 section 4.3.4, REQ.SEC.AUTHENTIC (draft 13 read); a list of allowed algorithms is "
    "common practice",
    absent="the layout has no seal",
    check=check,
    only_with="seal",
)
