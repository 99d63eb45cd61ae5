"""What the layout demands of a seal, where it is made: trust, several signers, a pair, room by room."""

from __future__ import annotations

from pathlib import Path

import pytest
from sealed_device import JOIN, REQUIRED, ROOMY, Run, seal_of, write_device, write_key

OUT = ("-o", "tide.hex")
BOTH = 'trust = ["one-pub.pem", "two-pub.pem"]\n'


@pytest.fixture
def never_signs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Signing fails the test."""
    monkeypatch.setattr("gemel.seals.keys.keys.PrivateKey.sign", lambda *_: pytest.fail("it signed"))


def two_keys(device: Path, more: str) -> None:
    """Keys ``one`` (Ed25519) and ``two`` (ECDSA), and a layout with ``more`` in [seal] and room for all."""
    write_key(device / "one.pem")
    write_key(device / "two.pem", "ECDSA-P256")
    write_device(device, REQUIRED + more, ROOMY)


def test_a_key_that_the_layout_does_not_trust(device: Path, gemel: Run) -> None:
    """With a key that is not in ``trust`` the image breaks a rule and is not written."""
    two_keys(device, 'trust = ["one-pub.pem"]\n')
    done = gemel(*JOIN, *OUT, "--key", "two.pem")
    assert done.code == 1
    assert "BROKEN seal-by-trusted-key" in done.out
    assert not Path("tide.hex").exists()
    assert gemel(*JOIN, *OUT, "--key", "one.pem").code == 0
    assert gemel("sign", "small.toml", "tide.hex", "--key", "two.pem", "-o", "other.hex").code == 1
    assert not Path("other.hex").exists()


@pytest.mark.usefixtures("never_signs")
def test_trusted_keys_that_are_not_there(device: Path, gemel: Run) -> None:
    """A file in ``trust`` that is missing is told before anything is asked for or signed."""
    write_device(device, REQUIRED + 'trust = ["gone.pem"]\n')
    write_key(device / "locked.pem", "Ed25519", b"phrase")
    done = gemel(*JOIN, *OUT, "--key", "locked.pem")
    assert done.code == 2
    assert "gone.pem" in done.err
    assert "pass phrase" not in done.err


@pytest.mark.usefixtures("never_signs")
def test_fewer_keys_than_signers(device: Path, gemel: Run) -> None:
    """Where two signers must hold, one key is refused with 2 before its pass phrase is asked for."""
    two_keys(device, "signers = 2\n" + BOTH)
    write_key(device / "locked.pem", "Ed25519", b"phrase")
    done = gemel(*JOIN, *OUT, "--key", "locked.pem")
    assert done.code == 2
    assert "2 signers" in done.err
    assert "pass phrase" not in done.err
    assert not Path("tide.hex").exists()


def test_as_many_as_demanded(device: Path, gemel: Run) -> None:
    """Two trusted keys where two are demanded seal the image."""
    two_keys(device, "signers = 2\n" + BOTH)
    assert gemel(*JOIN, *OUT, "--key", "one.pem", "--key", "two.pem").code == 0


@pytest.mark.usefixtures("never_signs")
def test_two_classical_keys_are_no_pair(device: Path, gemel: Run) -> None:
    """Where a pair is demanded, two classical keys are refused before anything is signed."""
    two_keys(device, "pair = true\n")
    done = gemel(*JOIN, *OUT, "--key", "one.pem", "--key", "two.pem")
    assert done.code == 2
    assert "missing an ML-DSA signature" in done.err


def test_a_pair(device: Path, gemel: Run) -> None:
    """One classical and one ML-DSA key are the pair that is demanded."""
    two_keys(device, "pair = true\n")
    write_key(device / "safe.pem", "ML-DSA-65")
    assert gemel(*JOIN, *OUT, "--key", "one.pem", "--key", "safe.pem").code == 0


def test_one_signing_room_after_the_other(device: Path, gemel: Run) -> None:
    """With ``--more-to-come`` the first room's seal is written as incomplete; the second completes it."""
    two_keys(device, "signers = 2\n" + BOTH)
    assert gemel(*JOIN, "-o", "plain.hex", "--leave-unsealed").code == 0
    words = ("sign", "small.toml", "plain.hex", "--key", "one.pem", "-o", "first.hex")
    refused = gemel(*words)
    assert (refused.code, "--more-to-come" in refused.err) == (2, True)
    assert not Path("first.hex").exists()
    first = gemel(*words, "--more-to-come")
    assert first.code == 0, first.everything
    assert "NOT ENOUGH SIGNERS YET" in first.out
    printed = "  gemel sign small.toml first.hex --add --key KEY.pem -o SEALED.hex\n"
    assert printed in first.out
    words = printed.replace("KEY", "two").replace("SEALED", "second").split()
    second = gemel(*words[1:])
    assert second.code == 0, second.everything
    assert "NOT ENOUGH" not in second.out
    assert len(seal_of(device / "second.hex").signers) == 2


def test_more_to_come_lets_nothing_else_pass(device: Path, gemel: Run) -> None:
    """``--more-to-come`` excuses missing signers alone, not one that is not trusted."""
    two_keys(device, 'signers = 2\ntrust = ["one-pub.pem", "three-pub.pem"]\n')
    write_key(device / "three.pem")
    assert gemel(*JOIN, "-o", "plain.hex", "--leave-unsealed").code == 0
    words = ("sign", "small.toml", "plain.hex", "--key", "two.pem", "--more-to-come", "-o", "first.hex")
    done = gemel(*words)
    assert (done.code, "BROKEN seal-by-trusted-key" in done.out) == (1, True)
    assert not Path("first.hex").exists()
