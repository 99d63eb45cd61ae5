"""Rotation of release keys, from the command line: two at once, then the old one withdrawn."""

from __future__ import annotations

from pathlib import Path

import pytest
from sealed_device import JOIN, Run, record_of, seal_of, write_key

from gemel.seals.keys.keys import PrivateKey
from gemel.seals.seal import SignatureOutcome, verify

GOOD, UNKNOWN = SignatureOutcome.GOOD, SignatureOutcome.UNKNOWN_KEY


@pytest.fixture
def keys(device: Path) -> dict[str, PrivateKey]:
    """The old and the new release key."""
    return {"old": write_key(device / "old.pem", "ECDSA-P256"), "new": write_key(device / "new.pem")}


def outcomes(path: Path, *trusted: PrivateKey) -> set[SignatureOutcome]:
    """What is said of the signers of an image by one who trusts these keys."""
    public = [key.public_key for key in trusted]
    return {verdict.outcome for verdict in verify(seal_of(path), record_of(path), public)}


def test_both_trusted_at_once(device: Path, gemel: Run, keys: dict[str, PrivateKey]) -> None:
    """While both are trusted, images of either key and of both hold."""
    old, new = keys["old"], keys["new"]
    for name, used in (("a", ["old"]), ("b", ["new"]), ("c", ["old", "new"])):
        words = [word for key in used for word in ("--key", f"{key}.pem")]
        assert gemel(*JOIN, "-o", f"{name}.hex", *words).code == 0
        assert outcomes(device / f"{name}.hex", old, new) == {GOOD}


def test_sealed_with_both_for_devices_of_either_age(
    device: Path, gemel: Run, keys: dict[str, PrivateKey]
) -> None:
    """An image sealed with both has a good signer for who knows only the old or only the new key."""
    words = ("--key", "old.pem", "--key", "new.pem")
    assert gemel(*JOIN, "-o", "both.hex", *words).code == 0
    assert outcomes(device / "both.hex", keys["old"]) == {GOOD, UNKNOWN}
    assert outcomes(device / "both.hex", keys["new"]) == {GOOD, UNKNOWN}


def test_the_old_one_withdrawn(device: Path, gemel: Run, keys: dict[str, PrivateKey]) -> None:
    """Once the old key is no longer trusted, an image that only it sealed has no good signer left."""
    assert gemel(*JOIN, "-o", "old.hex", "--key", "old.pem").code == 0
    assert outcomes(device / "old.hex", keys["old"], keys["new"]) == {GOOD}
    assert outcomes(device / "old.hex", keys["new"]) == {UNKNOWN}


def test_an_old_release_sealed_anew(device: Path, gemel: Run, keys: dict[str, PrivateKey]) -> None:
    """A release that the old key sealed gets the new key's seal in its place; the old signer is gone."""
    assert gemel(*JOIN, "-o", "old.hex", "--key", "old.pem").code == 0
    assert gemel("sign", "small.toml", "old.hex", "--key", "new.pem", "-o", "new.hex").code == 0
    assert outcomes(device / "new.hex", keys["new"]) == {GOOD}
    assert outcomes(device / "new.hex", keys["old"]) == {UNKNOWN}


def test_the_new_key_added_to_an_old_release(device: Path, gemel: Run, keys: dict[str, PrivateKey]) -> None:
    """With ``--add`` the old signer stays for devices in the field and the new one comes beside it."""
    assert gemel(*JOIN, "-o", "old.hex", "--key", "old.pem").code == 0
    words = ("--key", "new.pem", "--add", "--trust", "old-pub.pem", "-o", "both.hex")
    assert gemel("sign", "small.toml", "old.hex", *words).code == 0
    assert outcomes(device / "both.hex", keys["old"], keys["new"]) == {GOOD}


def test_a_new_key_of_the_same_name_is_another_key(
    device: Path, gemel: Run, keys: dict[str, PrivateKey]
) -> None:
    """A key goes by its fingerprint: another one in a file of the old name verifies nothing."""
    assert gemel(*JOIN, "-o", "old.hex", "--key", "old.pem").code == 0
    Path("old.pem").unlink()
    again = write_key(device / "old.pem", "ECDSA-P256")
    assert outcomes(device / "old.hex", again) == {UNKNOWN}
