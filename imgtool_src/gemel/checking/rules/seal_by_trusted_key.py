"""Rule ``seal-by-trusted-key``: a key that is trusted made the seal."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.seal_evidence import of_seal
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.seal import NO_TRUST, SealUnderCheck, key_words, signer_words
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.text.wrapping import first_of


@of_seal()
def check(inspection: Inspection, seal: SealUnderCheck) -> Iterator[Outcome]:
    """One outcome for each signer; a finding where none of them has a trusted key."""
    if not seal.trusted:
        yield _no_trust(seal)
    elif missing := seal.unreadable():
        yield missing
    else:
        known = {key.fingerprint for key in seal.trusted}
        signers = seal.seal.signers if seal.seal else ()
        if any(signer.key_fingerprint in known for signer in signers):
            for signer in signers:
                if signer.key_fingerprint in known:
                    yield Holds(signer_words(signer))
        else:
            keys = [f"{key.algorithm.name} {key_words(key.fingerprint)}" for key in seal.trusted]
            yield Finding(
                "no trusted key made the seal",
                (seal.plan.area,),
                where=seal.where,
                found=", ".join(signer_words(signer) for signer in signers),
                expected=f"one of {first_of(keys)}" if len(keys) > 1 else keys[0],
                span=seal.span,
            )


def _no_trust(seal: SealUnderCheck) -> Outcome:
    if not seal.demands.required:
        return NotChecked(seal.where, NO_TRUST)
    return Finding(
        "the seal was not checked, and one is required: no key is trusted",
        (seal.plan.area,),
        where=seal.where,
        found="no trusted key",
        expected="trust in [seal], or --trust PUBKEY",
        span=seal.span,
        next_step="name the public keys of the release in [seal] trust, or give --trust",
    )


RULE = Rule(
    name="seal-by-trusted-key",
    severity="error",
    guards="image",
    checks="At least one signer of the seal is a key that the layout trusts and the command line does not "
    "leave out.",
    why="Anyone can make a seal that holds, with a key of their own. Only a key that was known before says "
    "where the image comes from.",
    remedy="Sign with a trusted key, or get the image from its holder; trust another key only after its fingerprint "
    "was compared with its owner (gemel keys show).",
    source="RFC 9124 section 4.2.9, THREAT.IMG.NON_AUTH; section 4.3.4, REQ.SEC.AUTHENTIC (draft 13 read)",
    absent="the layout has no seal",
    check=check,
    only_with="seal",
)
