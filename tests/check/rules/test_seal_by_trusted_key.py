"""``seal-by-trusted-key``: a seal that no trusted key made."""

from __future__ import annotations

from sealed_images import (
    NEW,
    OLD,
    OPTIONAL,
    P256,
    P384,
    REQUIRED,
    RSA,
    STRANGER,
    cut_away,
    of,
    sealed,
    unsealed,
)
from small_device import findings

RULE = "seal-by-trusted-key"

BREAKS = {
    "a stranger's seal": lambda: of(RULE, sealed(STRANGER)),
    "two strangers' seal": lambda: of(RULE, sealed(STRANGER, NEW), [OLD, P256]),
    "a stranger's among many trusted keys": lambda: of(RULE, sealed(STRANGER), [OLD, NEW, P256, P384, RSA]),
    "a key that was withdrawn": lambda: of(RULE, sealed(OLD), [NEW]),
    "a stranger's where none is required": lambda: of(RULE, sealed(STRANGER, read=OPTIONAL), read=OPTIONAL),
    "no trusted key at all": lambda: of(RULE, sealed(OLD), []),
    "no trusted key and no seal": lambda: of(RULE, unsealed(), []),
}

KEEPS = {
    "a trusted key": lambda: of(RULE, sealed(OLD)),
    "one of several trusted keys": lambda: of(RULE, sealed(NEW), [OLD, NEW, P256]),
    "two trusted keys": lambda: of(RULE, sealed(OLD, NEW), [OLD, NEW]),
}


def test_a_further_signer_whose_key_is_not_trusted_is_found_by_another_rule() -> None:
    """That a trusted key made the seal holds; whether others may stand beside it is seal-signers-known's."""
    result = of(RULE, sealed(OLD, STRANGER))
    assert (findings(result), result.not_checked) == ([], ())
    assert len(result.holds) == 1


def test_no_trusted_key_is_not_checked_where_no_seal_is_required() -> None:
    """Nobody's seal can be told from anybody's, and that is said; what would help is named."""
    result = of(RULE, sealed(OLD, read=OPTIONAL), [], OPTIONAL)
    assert (result.status, findings(result)) == ("not checked", [])
    assert [missing.reason for missing in result.not_checked] == ["needs a trusted key: --trust PUBKEY"]


def test_an_unsealed_image_needs_no_key_where_no_seal_is_required() -> None:
    """No key would show more: the rule does not apply, and --strict=inputs lacks nothing."""
    result = of(RULE, unsealed(read=OPTIONAL), [], OPTIONAL)
    assert (result.status, result.not_checked) == ("does not apply", ())


def test_no_seal_and_no_form_are_found_by_others() -> None:
    """Without a seal that can be read there is no key to look at."""
    for image, reason in (
        (unsealed(), "there is no seal"),
        (cut_away(sealed(OLD), 0), "the seal is not well formed"),
    ):
        result = of(RULE, image, read=REQUIRED)
        missing = (*result.not_checked, *result.not_applicable)
        assert [each.reason for each in missing] == [reason]
