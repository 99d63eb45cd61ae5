"""``gemel sign``: images sealed after they were joined, signers kept or replaced."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path

import pytest
import small_device
from seal_keys import rsa_key
from sealed_device import JOIN, SEAL, Run, read_image, record_of, seal_of, write_device, write_key

from gemel.checking.identity import NO_KEY, NOT_HERE
from gemel.image.intel_hex import decode, encode
from gemel.image.s_record import decode as decode_srec
from gemel.image.s_record import encode as encode_srec
from gemel.seals.keys.keys import private_key_of
from gemel.seals.seal import SignatureOutcome, verify
from gemel.spans import Span

SIGN = ("sign", "small.toml")
AREA = Span(small_device.SEAL, 0x400)


@pytest.fixture
def plain(device: Path, gemel: Run) -> Path:
    """The device's folder with an unsealed ``plain`` image in each format, and two keys."""
    names = ("plain.hex", "plain.srec", "plain.bin")
    words = [word for name in names for word in ("-o", name)]
    assert gemel(*JOIN, *words, "--leave-unsealed").code == 0
    write_key(device / "one.pem")
    write_key(device / "two.pem", "ECDSA-P256")
    return device


@pytest.mark.parametrize("suffix", ["hex", "srec", "bin"])
def test_signed_later_is_joined_with_the_key(plain: Path, gemel: Run, suffix: str) -> None:
    """Whatever the format that is read, what ``sign`` writes is byte for byte what ``join --key`` writes."""
    outputs = ("-o", "later.hex", "-o", "later.srec", "-o", "later.bin")
    done = gemel(*SIGN, f"plain.{suffix}", *outputs, "--key", "one.pem")
    assert done.code == 0, done.err
    assert gemel(*JOIN, *(word.replace("later", "once") for word in outputs), "--key", "one.pem").code == 0
    assert Path("later.bin").read_bytes() == Path("once.bin").read_bytes()
    if suffix != "bin":  # a raw binary names no entry point and fills the gaps
        assert Path("later.hex").read_bytes() == Path("once.hex").read_bytes()
    assert seal_of(plain / "later.hex") == seal_of(plain / "once.hex")


WRITERS = {"hex": encode, "srec": encode_srec}
RESET = small_device.STATION + 4 * 32 + 1


@pytest.mark.parametrize("output", WRITERS)
@pytest.mark.parametrize("suffix", WRITERS)
def test_only_the_reset_handler_is_written_as_start_address(
    plain: Path, gemel: Run, suffix: str, output: str
) -> None:
    """The attack: the image to seal starts in bytes that no digest covers, and the sealed file starts there too."""
    image = read_image(plain / "plain.hex")
    words = (*SIGN, f"given.{suffix}", "--key", "one.pem", "-o", f"sealed.{output}")
    for entry in (RESET + 2, small_device.FLASH | 1, small_device.RECORD | 1, 0x2000_0001, 1, 0xFFFF_FFFF):
        Path(f"given.{suffix}").write_bytes(b"".join(WRITERS[suffix](image, entry)))
        done = gemel(*words)
        assert (done.code, Path(f"sealed.{output}").exists()) == (1, False)
        assert "BROKEN file-entry-is-reset-handler" in done.out
    for entry in (None, RESET, RESET & ~1):
        Path(f"given.{suffix}").write_bytes(b"".join(WRITERS[suffix](image, entry)))
        assert gemel(*words).code == 0
        decoder = decode if output == "hex" else decode_srec
        assert decoder([Path(f"sealed.{output}").read_bytes()], "sealed").entry == entry


def test_the_result_is_about_the_file_that_is_written(plain: Path, gemel: Run) -> None:
    """Its name, size and SHA-256, not those of the image that was read."""
    said = gemel(*SIGN, "plain.hex", "--key", "one.pem", "-o", "sealed.hex").out
    data = Path("sealed.hex").read_bytes()
    assert said.startswith("sealed.hex: ")
    assert f"  SHA-256   {hashlib.sha256(data).hexdigest()}\n" in said
    assert f"  size      {len(data):,} bytes\n" in said
    assert "\nwrote     sealed.hex\n" in said
    quiet = gemel(*SIGN, "plain.hex", "--key", "one.pem", "-o", "again.hex", "--quiet")
    assert (quiet.code, quiet.out, quiet.err) == (0, "", "")
    assert Path("again.hex").read_bytes() == data


def test_a_change_after_the_seal_is_in_the_identity(plain: Path, gemel: Run) -> None:
    """A signature over the record holds whatever the builds' bytes are: the line on it says that they changed."""
    assert gemel(*SIGN, "plain.hex", "--key", "one.pem", "-o", "sealed.bin").code == 0
    check = ("check", "small.toml", "sealed.bin", "--trust", "one-pub.pem")
    assert re.search(r"signed    Ed25519 key [0-9a-f]{16}\.\.\., verified\n", gemel(*check).out)
    data = bytearray(Path("sealed.bin").read_bytes())
    data[0x300] ^= 1
    Path("sealed.bin").write_bytes(data)
    done = gemel(*check)
    assert done.code == 1
    assert "verified, but NOT OVER THESE BYTES" in " ".join(done.out.split())
    assert json.loads(gemel(*check, "--format", "json").out)["identity"]["as_sealed"] is False


def test_with_the_builds_at_hand(plain: Path, gemel: Run) -> None:
    """Builds given to ``sign`` are held against the image: others than those in it stop the signing."""
    words = ("--key", "one.pem", "-o", "sealed.hex", "station=station.elf")
    assert gemel(*SIGN, "plain.hex", *words).code == 0
    Path("sealed.hex").unlink()
    Path("station.elf").write_bytes(small_device.station_elf(code=bytes(range(2, 130))))
    done = gemel(*SIGN, "plain.hex", *words)
    assert done.code == 1
    assert "BROKEN" in done.out
    assert not Path("sealed.hex").exists()


def test_a_changed_image_is_not_signed(plain: Path, gemel: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """One flipped bit in a build's code breaks a rule; nothing is asked for, signed or written."""
    image = read_image(plain / "plain.hex")
    place = small_device.STATION + 0xF0
    (byte,) = image.read(Span(place, 1), None)
    image.write(place, bytes([byte ^ 1]))
    Path("bad.hex").write_bytes(b"".join(encode(image, None)))
    write_key(plain / "locked.pem", "Ed25519", b"phrase")
    monkeypatch.setattr("gemel.seals.keys.keys.PrivateKey.sign", lambda *_: pytest.fail("it signed"))
    done = gemel(*SIGN, "bad.hex", "--key", "locked.pem", "-o", "sealed.hex")
    assert done.code == 1
    assert "BROKEN record-digests-match" in done.out
    assert "nothing was written" in done.err
    assert "pass phrase" not in done.err
    assert not Path("sealed.hex").exists()


def test_an_image_without_a_record(plain: Path, gemel: Run) -> None:
    """An image whose record is gone cannot be sealed, in one error."""
    image = read_image(plain / "plain.hex")
    image.erase(Span(small_device.RECORD, 0x400))
    Path("bad.hex").write_bytes(b"".join(encode(image, None)))
    done = gemel(*SIGN, "bad.hex", "--key", "one.pem", "-o", "sealed.hex")
    assert (done.code, done.err.count("error: ")) == (2, 1)
    assert "record" in done.err


def test_a_seal_is_replaced_and_that_is_said(plain: Path, gemel: Run) -> None:
    """Without ``--add`` the new seal takes the old one's place, whole, and stdout names the old signer."""
    old = write_key(plain / "old.pem", "RSA-3072-PSS")
    assert gemel(*SIGN, "plain.hex", "--key", "old.pem", "-o", "old.hex").code == 0
    done = gemel(*SIGN, "old.hex", "--key", "one.pem", "-o", "new.hex")
    assert done.code == 0
    assert f"replaced the seal of RSA-3072-PSS key {old.public_key.fingerprint.hex()[:16]}" in done.out
    assert [signer.algorithm.name for signer in seal_of(plain / "new.hex").signers] == ["Ed25519"]


def test_what_was_no_seal_is_replaced_too(plain: Path, gemel: Run) -> None:
    """Bytes in the seal's area that are no seal are replaced, the erased rest included, and that is said."""
    image = read_image(plain / "plain.hex")
    image.write(AREA.start, bytes(range(256)) * 4)
    Path("odd.hex").write_bytes(b"".join(encode(image, None)))
    done = gemel(*SIGN, "odd.hex", "--key", "one.pem", "-o", "sealed.hex")
    assert done.code == 0, done.everything
    assert "was no seal" in done.out
    seal = seal_of(plain / "sealed.hex")
    rest = read_image(plain / "sealed.hex").read(AREA, 0xFF)[seal.size :]
    assert rest == b"\xff" * (0x400 - seal.size)


def test_signers_are_added(plain: Path, gemel: Run) -> None:
    """With ``--add`` the old signer's signature is kept as it is, and both hold."""
    keys = [write_key(plain / "rsa.pem", "RSA-3072-PSS"), write_key(plain / "new.pem")]
    assert gemel(*SIGN, "plain.hex", "--key", "rsa.pem", "-o", "a.hex").code == 0
    words = ("--key", "new.pem", "--add", "--trust", "rsa-pub.pem", "-o", "b.hex")
    assert gemel(*SIGN, "a.hex", *words).code == 0
    (before,) = seal_of(plain / "a.hex").signers
    after = seal_of(plain / "b.hex")
    assert before in after.signers
    found = verify(after, record_of(plain / "b.hex"), [key.public_key for key in keys])
    assert [verdict.good for verdict in found] == [True, True]


def test_the_layouts_trusted_keys_tell_too(plain: Path, gemel: Run) -> None:
    """A signer that the layout trusts is kept without ``--trust``; the path is relative to the layout."""
    write_device(plain, SEAL + 'trust = ["one-pub.pem", "two-pub.pem"]\n')
    assert gemel(*JOIN, "-o", "a.hex", "--key", "one.pem").code == 0
    assert gemel(*SIGN, "a.hex", "--key", "two.pem", "--add", "-o", "b.hex").code == 0
    assert len(seal_of(plain / "b.hex").signers) == 2


def test_what_is_said_of_a_seal_before_it_is_verified(plain: Path, gemel: Run) -> None:
    """Where the layout names keys none is missing: this command has not verified the seal, and check does."""
    write_device(plain, SEAL + 'trust = ["one-pub.pem"]\n')
    assert gemel(*JOIN, "-o", "a.hex", "--key", "one.pem").code == 0
    refused = gemel(*SIGN, "a.hex", "--key", "two.pem", "--version", "9.9.9", "-o", "b.hex")
    assert refused.code == 1
    assert f"NOT VERIFIED: {NOT_HERE}" in " ".join(refused.out.split())
    assert ", verified" in gemel("check", "small.toml", "a.hex").out
    write_device(plain, SEAL)
    refused = gemel(*SIGN, "a.hex", "--key", "two.pem", "--version", "9.9.9", "-o", "b.hex")
    assert f"NOT VERIFIED: {NO_KEY}" in " ".join(refused.out.split())


def test_a_signer_of_unknown_key_is_not_kept(plain: Path, gemel: Run) -> None:
    """A signer whose public key is not at hand cannot be vouched for: ``--add`` refuses it."""
    assert gemel(*SIGN, "plain.hex", "--key", "one.pem", "-o", "a.hex").code == 0
    done = gemel(*SIGN, "a.hex", "--key", "two.pem", "--add", "-o", "b.hex")
    assert done.code == 2
    assert SignatureOutcome.UNKNOWN_KEY.value in done.err
    assert "--trust" in done.err
    assert not Path("b.hex").exists()


def test_a_signer_that_does_not_hold_is_not_kept(plain: Path, gemel: Run) -> None:
    """A seal moved in from another version is not carried on by ``--add``."""
    assert gemel(*JOIN, "-o", "other.hex", "--key", "one.pem", "--version", "8.8.8").code == 0
    image = read_image(plain / "plain.hex")
    image.write(AREA.start, read_image(plain / "other.hex").read(AREA, 0xFF))
    Path("moved.hex").write_bytes(b"".join(encode(image, None)))
    words = ("--key", "two.pem", "--add", "--trust", "one-pub.pem", "-o", "b.hex")
    done = gemel(*SIGN, "moved.hex", *words)
    assert done.code == 2
    assert SignatureOutcome.BAD_SIGNATURE.value in done.err


def test_nothing_to_add_to(plain: Path, gemel: Run) -> None:
    """``--add`` on an image without a seal is an error that says to leave it out."""
    done = gemel(*SIGN, "plain.hex", "--key", "two.pem", "--add", "-o", "b.hex")
    assert (done.code, "leave --add out" in done.err) == (2, True)


def test_signing_anew_with_the_same_key(plain: Path, gemel: Run) -> None:
    """A key that signed before and signs again with ``--add`` stands in the seal once."""
    assert gemel(*SIGN, "plain.hex", "--key", "one.pem", "-o", "a.hex").code == 0
    words = ("--key", "one.pem", "--add", "--trust", "one-pub.pem", "-o", "b.hex")
    assert gemel(*SIGN, "a.hex", *words).code == 0
    assert Path("a.hex").read_bytes() == Path("b.hex").read_bytes()


def test_kept_signers_count_for_the_room(plain: Path, gemel: Run) -> None:
    """Where old and new signers together do not fit, the error says how many bytes they need."""
    first = write_key(plain / "a.pem", "RSA-4096-PSS")
    write_key(plain / "b.pem", private_key_of(rsa_key(4096, 2), first.algorithm))
    assert gemel(*SIGN, "plain.hex", "--key", "a.pem", "-o", "a.hex").code == 0
    done = gemel(*SIGN, "a.hex", "--key", "b.pem", "--add", "--trust", "a-pub.pem", "-o", "b.hex")
    assert done.code == 2
    assert "the area is too small for the seal of RSA-4096-PSS, RSA-4096-PSS" in done.err


HAND_OVER = ("--to-be-signed", "t", "--public", "one-pub.pem")
OURS = ("--key", "one.pem", "-o", "x.hex")
MIXTURES = {
    "no signer": (("-o", "x.hex"), "no key to sign with"),
    "no output": (("--key", "one.pem"), "no output for the sealed image"),
    "handing over with a key": ((*HAND_OVER, "--key", "one.pem"), "--key"),
    "handing over with output": ((*HAND_OVER, "-o", "x.hex"), "-o"),
    "handing over with more to come": ((*HAND_OVER, "--more-to-come"), "--more-to-come"),
    "signature without key": (("--signature", "one.pem", "-o", "x.hex"), "do not pair"),
    "public without signature": (
        ("--key", "one.pem", "--public", "one-pub.pem", "-o", "x.hex"),
        "do not pair",
    ),
    "handing over without key": (("--to-be-signed", "t"), "do not pair"),
    "a pass phrase for nobody": ((*OURS, "--pass-phrase-env", "HOME"), "no key needs"),
    "output over the image": (("--key", "one.pem", "-o", "plain.hex"), "an output is an input"),
    "output over the key": (("--key", "one.pem", "-o", "two.pem"), "suffix"),
    "a folder that is not there": (("--key", "one.pem", "-o", "no/folder/x.hex"), "folder is not there"),
}


@pytest.mark.parametrize("name", MIXTURES)
def test_options_that_do_not_go_together(plain: Path, gemel: Run, name: str) -> None:
    """Each mixture of options that makes no sense is one error with exit code 2, and writes nothing."""
    words, said = MIXTURES[name]
    before = sorted(path.name for path in plain.iterdir())
    done = gemel(*SIGN, "plain.hex", *words)
    assert (done.code, done.err.count("error: ")) == (2, 1), done.everything
    assert said in done.err
    assert sorted(path.name for path in plain.iterdir()) == before


def test_a_layout_without_a_seal(plain: Path, gemel: Run) -> None:
    """``sign`` with a layout that has no [seal] is an error before anything is signed."""
    write_device(plain, "")
    done = gemel(*SIGN, "plain.hex", "--key", "one.pem", "-o", "x.hex")
    assert (done.code, "no place for a seal" in done.err) == (2, True)
