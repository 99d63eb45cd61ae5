"""Rule ``seal-signers-sufficient``: as many signers hold as are demanded, of each kind."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.seal_evidence import of_seal
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.seal import SealUnderCheck, signer_words
from gemel.outcomes import Finding, Holds, Outcome
from gemel.seals.demands import demanded_words, missing_signers

_CAUSES = "seal-algorithm-allowed", "seal-by-trusted-key", "seal-over-this-record"


@of_seal(SealUnderCheck.unverifiable)
def check(inspection: Inspection, seal: SealUnderCheck) -> Iterator[Outcome]:
    """One outcome for all signers that count together."""
    counted = [verdict.signer for verdict in seal.counted]
    lacking = missing_signers(seal.demands, [signer.algorithm for signer in counted])
    words = ", ".join(signer_words(signer) for signer in counted)
    if not lacking:
        yield Holds(words)
        return
    yield Finding(
        "fewer signers count than are demanded",
        (seal.plan.area,),
        where=seal.where,
        found=f"{len(counted)} that count{f': {words}' if words else ''}; missing {', '.join(lacking)}",
        expected=demanded_words(seal.demands),
        span=seal.span,
        follows_from=tuple((rule, seal.plan.area) for rule in _CAUSES),
    )


RULE = Rule(
    name="seal-signers-sufficient",
    severity="error",
    guards="image",
    checks="As many signers as layout and policy demand have a trusted key, an allowed algorithm and a signature "
    "that holds, and where one demands a pair, one classical and one ML-DSA signature are among them.",
    why="Several signers guard against the loss of one key, a pair against the break of one kind of "
    "algorithm. But signers are independent of each other, and anyone who can write the image can remove one: only a "
    "count finds that.",
    remedy="Where signers are missing, have them sign: gemel sign, with --more-to-come for all but the "
    "last and with --add for all but the first; else get the image again from where it was sealed.",
    source="RFC 9052 section 4.1 (each signer is verified by itself); RFC 9124 section 4.2.11, "
    "THREAT.UPD.UNAPPROVED (draft 13 read)",
    absent="the layout has no seal",
    check=check,
    only_with="seal",
)
