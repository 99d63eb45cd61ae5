"""Rule ``seal-signers-known``: every signer's key is known, except for as many as are allowed."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.seal_evidence import of_seal
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.seal import SealUnderCheck, signer_words
from gemel.outcomes import Finding, Holds, NotChecked, Outcome


@of_seal(SealUnderCheck.unverifiable)
def check(inspection: Inspection, seal: SealUnderCheck) -> Iterator[Outcome]:
    """One outcome for all signers together."""
    unknown, allowed = seal.unknown, seal.demands.unknown_signers
    if len(unknown) == len(seal.verdicts):
        yield NotChecked(seal.where, "no trusted key made the seal")
        return
    known = [each.signer for each in seal.verdicts if each.signer not in unknown]
    if len(unknown) <= allowed:
        yield Holds(", ".join(signer_words(signer) for signer in known))
        if unknown:
            yield Holds(f"unknown, as allowed: {', '.join(signer_words(signer) for signer in unknown)}")
        return
    size = sum(len(signer.signature) for signer in unknown)
    yield Finding(
        "the seal has signers whose keys are unknown",
        (seal.plan.area,),
        where=seal.where,
        found=f"{', '.join(signer_words(signer) for signer in unknown)}: {size:,} bytes that nobody verified",
        expected=f"at most {allowed} (unknown_signers)" if allowed else "only signers with known keys",
        span=seal.span,
    )


RULE = Rule(
    name="seal-signers-known",
    severity="error",
    guards="image",
    checks="The key of every signer of the seal is one that is trusted or that the layout names, except for as "
    "many signers as unknown_signers in [seal] and in the policy allow.",
    why="The signature of an unknown key can be any bytes at all, at an address that is known: no digest "
    "covers them and nobody can verify them, so they are room for data or code of somebody else.",
    remedy="Get the image sealed by known keys alone, or trust the further key after its fingerprint was "
    "compared with its owner; while keys rotate, see `gemel explain seal`, Rotation of keys.",
    source="RFC 9052 section 4.1 (each signer is verified by itself); RFC 9124 section 4.3.15, "
    "REQ.SEC.IMG.COMPLETE_DIGEST (draft 13 read); common practice",
    absent="the layout has no seal",
    check=check,
    only_with="seal",
)
