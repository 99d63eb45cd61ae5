"""``seal-algorithm-allowed``: a signer of an algorithm that the layout does not allow."""

from __future__ import annotations

from image_edits import changed
from sealed_images import ML_DSA, OLD, P256, RSA, SEAL, STRANGER, of, sealed, sealed_layout, unsealed

from gemel.seals.cose import ALGORITHM, CONTENT_TYPE, KEY_ID, CoseSign, Signature, encode
from gemel.seals.format import RECORD_CONTENT_TYPE

RULE = "seal-algorithm-allowed"
STRONG = sealed_layout('required = true\nalgorithms = ["ECDSA-P384", "ML-DSA-65"]\n')
ONE = sealed_layout('required = true\nalgorithms = ["Ed25519"]\n')
PASSED_OFF = encode(
    CoseSign(
        {CONTENT_TYPE: RECORD_CONTENT_TYPE},
        (Signature({ALGORITHM: -7, KEY_ID: OLD.public_key.fingerprint}, bytes(64)),),
    )
)
"""A seal that names the Ed25519 key and ECDSA."""

BREAKS = {
    "a weaker algorithm by a trusted key": lambda: of(
        RULE, sealed(P256, read=STRONG), [P256, ML_DSA], STRONG
    ),
    "a weaker algorithm by a stranger": lambda: of(RULE, sealed(STRANGER, read=STRONG), [ML_DSA], STRONG),
    "one of two signers": lambda: of(RULE, sealed(OLD, RSA, read=ONE), [OLD, RSA], ONE),
    "no key trusted": lambda: of(RULE, sealed(P256, read=ONE), [], ONE),
    "the name of another algorithm than the key's": lambda: of(RULE, changed(unsealed(), {SEAL: PASSED_OFF})),
}

KEEPS = {
    "the one allowed algorithm": lambda: of(RULE, sealed(OLD, read=ONE), [OLD], ONE),
    "one of two": lambda: of(RULE, sealed(ML_DSA, read=STRONG), [ML_DSA], STRONG),
    "any where the layout names none": lambda: of(RULE, sealed(RSA), [RSA]),
    "an allowed one by a stranger, which another rule finds": lambda: of(
        RULE, sealed(STRANGER, read=ONE), [OLD], ONE
    ),
    "names in any case": lambda: of(
        RULE, sealed(OLD), [OLD], sealed_layout('required = true\nalgorithms = ["ed25519"]\n')
    ),
}


def test_no_seal_is_not_checked() -> None:
    """Without a seal there is no algorithm to look at."""
    result = of(RULE, unsealed())
    assert [missing.reason for missing in result.not_applicable] == ["there is no seal"]
