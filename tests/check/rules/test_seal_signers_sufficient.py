"""``seal-signers-sufficient``: fewer signers than the layout demands, or not of the kinds."""

from __future__ import annotations

from image_edits import changed
from record_edits import with_record
from sealed_images import ML_DSA, NEW, OLD, P256, SEAL, STRANGER, of, sealed, sealed_layout, unsealed
from small_device import RECORD, findings

RULE = "seal-signers-sufficient"
TWO = sealed_layout("required = true\nsigners = 2\n")
PAIR = sealed_layout("required = true\npair = true\n")
PAIR_OF_THREE = sealed_layout("required = true\nsigners = 3\npair = true\n")
ONLY_ED25519 = sealed_layout('required = true\nalgorithms = ["Ed25519"]\nsigners = 2\n')
KEYS = [OLD, NEW, P256, ML_DSA]

BREAKS = {
    "one of two": lambda: of(RULE, sealed(OLD, read=TWO), KEYS, TWO),
    "one of two trusted": lambda: of(RULE, sealed(OLD, STRANGER, read=TWO), KEYS, TWO),
    "one of two holds": lambda: of(
        RULE, changed(sealed(OLD, P256, read=TWO), {SEAL + 100: bytes(4)}), KEYS, TWO
    ),
    "one of two allowed": lambda: of(RULE, sealed(OLD, P256, read=ONLY_ED25519), KEYS, ONLY_ED25519),
    "a pair without its ML-DSA signature": lambda: of(RULE, sealed(P256, read=PAIR), KEYS, PAIR),
    "a pair without its classical signature": lambda: of(RULE, sealed(ML_DSA, read=PAIR), KEYS, PAIR),
    "two classical ones are no pair": lambda: of(RULE, sealed(OLD, NEW, read=PAIR), KEYS, PAIR),
    "a pair where three are required": lambda: of(RULE, sealed(OLD, ML_DSA), KEYS, PAIR_OF_THREE),
    "three, but no pair": lambda: of(RULE, sealed(OLD, NEW, P256), KEYS, PAIR_OF_THREE),
    "none holds": lambda: of(RULE, with_record(sealed(OLD), rollback=9), KEYS),
    "none trusted": lambda: of(RULE, sealed(STRANGER), KEYS),
    "no record": lambda: of(RULE, changed(sealed(OLD), {RECORD: b"X"}), KEYS),
}

KEEPS = {
    "one of one": lambda: of(RULE, sealed(OLD), KEYS),
    "two of two": lambda: of(RULE, sealed(OLD, NEW, read=TWO), KEYS, TWO),
    "three of two": lambda: of(RULE, sealed(OLD, NEW, P256, read=TWO), KEYS, TWO),
    "two and a stranger": lambda: of(RULE, sealed(OLD, NEW, STRANGER, read=TWO), KEYS, TWO),
    "a pair": lambda: of(RULE, sealed(P256, ML_DSA, read=PAIR), KEYS, PAIR),
    "a pair and another": lambda: of(RULE, sealed(OLD, P256, ML_DSA), KEYS, PAIR_OF_THREE),
}


def test_what_is_missing_is_told() -> None:
    """A finding says how many count and which kind is missing."""
    told = {name: findings(make())[0].found.rpartition("; ")[2] for name, make in BREAKS.items()}
    assert told["one of two"] == "missing 1 more by trusted keys"
    assert told["a pair without its ML-DSA signature"] == "missing an ML-DSA signature"
    assert told["a pair without its classical signature"] == "missing a classical signature"
    assert told["two classical ones are no pair"] == "missing an ML-DSA signature"
    assert told["a pair where three are required"] == "missing 1 more by trusted keys"


def test_what_cannot_be_looked_at_is_not_checked() -> None:
    """No trusted key, no seal: each with its reason, and each found by another rule."""
    for image, trusted, reason in (
        (sealed(OLD), [], "needs a trusted key: --trust PUBKEY"),
        (unsealed(), [OLD], "there is no seal"),
    ):
        result = of(RULE, image, trusted)
        missing = (*result.not_checked, *result.not_applicable)
        assert [each.reason for each in missing] == [reason]
