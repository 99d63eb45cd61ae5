"""Signing is not blind: what goes to a signing room says what it is, and what comes back belongs to it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from sealed_device import JOIN, Run, record_of, write_key

from gemel.record.record import decode
from gemel.seals.format import bytes_to_sign
from gemel.seals.to_be_signed import RequestError, differences, read_to_be_signed, request_lines

VALUES = ("--version", "2.0.1", "--rollback", "9")


@pytest.fixture
def key(device: Path):  # type: ignore[no-untyped-def]
    """A release key, its files beside the device's."""
    return write_key(device / "key.pem")


def joined_as_asked(gemel: Run) -> None:
    """An image with another version and counter than the layout's."""
    assert gemel(*JOIN, *VALUES, "--leave-unsealed", "-o", "plain.hex").code == 0


def test_an_image_joined_with_version_and_rollback_can_be_sealed(device: Path, gemel: Run, key) -> None:  # type: ignore[no-untyped-def]
    """In one step: it could not be sealed at all, since sign took the layout's version for the one that is due."""
    joined_as_asked(gemel)
    sign = ("sign", "small.toml", "plain.hex", "--key", "key.pem", "-o", "sealed.hex")
    refused = gemel(*sign)
    assert refused.code == 1
    assert "version-as-asked" in refused.out
    assert "expected  1.2.3 (layout)" in refused.out
    assert "\n  tool      gemel 0.1.0\n" in refused.out
    sealed = gemel(*sign, *VALUES)
    assert sealed.code == 0
    assert "with --version 2.0.1 --rollback 9" in sealed.out
    assert gemel("check", "small.toml", "sealed.hex", "--trust", "key-pub.pem", *VALUES).code == 0


def test_and_in_two_steps(device: Path, gemel: Run, key) -> None:  # type: ignore[no-untyped-def]
    """Both steps take the values, and neither takes others."""
    joined_as_asked(gemel)
    first = ("sign", "small.toml", "plain.hex", "--to-be-signed", "r.tbs", "--public", "key-pub.pem")
    assert gemel(*first).code == 1
    assert not Path("r.tbs").exists()
    assert gemel(*first, *VALUES).code == 0
    Path("r.tbs.sig").write_bytes(key.sign(Path("r.tbs").read_bytes()))
    second = ("sign", "small.toml", "plain.hex", "--signature", "r.tbs.sig", "--public", "key-pub.pem")
    assert gemel(*second, "-o", "sealed.hex", "--version", "2.0.2", "--rollback", "9").code == 1
    assert gemel(*second, "-o", "sealed.hex", *VALUES).code == 0


def test_the_request_says_what_is_signed(device: Path, gemel: Run, key) -> None:  # type: ignore[no-untyped-def]
    """Beside the bytes stands a text; what the bytes hold, ``show`` prints from them alone, word for word."""
    joined_as_asked(gemel)
    words = ("--to-be-signed", "r.tbs", "--public", "key-pub.pem", *VALUES)
    assert gemel("sign", "small.toml", "plain.hex", *words).code == 0
    text = Path("r.tbs.txt").read_text(encoding="utf-8")
    room = device / "room"
    room.mkdir()
    (room / "r.tbs").write_bytes(Path("r.tbs").read_bytes())
    shown = gemel("show", "room/r.tbs")
    assert shown.code == 0
    said = shown.out.split("The bytes have")[0]
    assert text.startswith(said)
    record = record_of(Path("plain.hex"))
    for part in ("small-device 2.0.1, rollback counter 9", key.public_key.fingerprint.hex(), "Ed25519"):
        assert part in said
    for build in decode(record, "record").builds:
        assert f"build {build.name} for core {build.core}" in said
        assert build.sha256.hex() in said
    evidence = text[len(said) :]
    assert "PASS" in evidence
    assert re.search(r"layout    small.toml, SHA-256 [0-9a-f]{64}", evidence)
    assert re.search(r"content   [0-9a-f]{64}", evidence)


def test_the_request_names_waivers(device: Path, gemel: Run, key) -> None:  # type: ignore[no-untyped-def]
    """Whoever signs sees what the layout accepts."""
    layout = Path("small.toml")
    waiver = 'rule = "stack-has-room", where = "station", reason = "measured", until = 2099-01-01'
    layout.write_text(layout.read_text(encoding="utf-8") + f"\n[rules]\nwaive = [{{ {waiver} }}]\n")
    assert gemel(*JOIN, "--leave-unsealed", "-o", "plain.hex").code == 0
    words = ("--to-be-signed", "r.tbs", "--public", "key-pub.pem")
    assert gemel("sign", "small.toml", "plain.hex", *words).code == 0
    assert "waived    stack-has-room at station, until 2099-01-01: measured" in Path("r.tbs.txt").read_text()


def test_a_signature_over_another_request_is_refused_with_the_difference(  # type: ignore[no-untyped-def]
    device: Path, gemel: Run, key
) -> None:
    """The attack: the room signs another version than the one that it comes back for."""
    joined_as_asked(gemel)
    words = ("--to-be-signed", "r.tbs", "--public", "key-pub.pem", *VALUES)
    assert gemel("sign", "small.toml", "plain.hex", *words).code == 0
    Path("r.tbs.sig").write_bytes(key.sign(Path("r.tbs").read_bytes()))
    assert (
        gemel(*JOIN, "--version", "2.0.2", "--rollback", "9", "--leave-unsealed", "-o", "other.hex").code == 0
    )
    words = ("--signature", "r.tbs.sig", "--public", "key-pub.pem", "-o", "sealed.hex")
    done = gemel("sign", "small.toml", "other.hex", *words, "--version", "2.0.2", "--rollback", "9")
    assert done.code == 2
    assert "version 2.0.1, not 2.0.2" in " ".join(done.err.split())
    assert not Path("sealed.hex").exists()


def test_the_readable_request_is_not_written_through_a_link(device: Path, gemel: Run, key) -> None:  # type: ignore[no-untyped-def]
    """The attack: q.tbs.txt of a received folder leads to a file of the signer's."""
    joined_as_asked(gemel)
    (device / "mine.txt").write_text("kept")
    (device / "q.tbs.txt").symlink_to("mine.txt")
    words = ("--to-be-signed", "q.tbs", "--public", "key-pub.pem", *VALUES)
    refused = gemel("sign", "small.toml", "plain.hex", *words)
    assert (refused.code, (device / "mine.txt").read_text()) == (2, "kept")
    assert "q.tbs.txt" in refused.err
    assert not (device / "q.tbs").exists()


def test_bytes_that_are_no_request_are_refused(device: Path, gemel: Run, key) -> None:  # type: ignore[no-untyped-def]
    """Each byte of a request counts: changed, cut or with a tail it is none, or says something else."""
    joined_as_asked(gemel)
    record = record_of(Path("plain.hex"))
    data = bytes_to_sign(record, key.public_key.algorithm, key.public_key.fingerprint)
    asked = read_to_be_signed(data, "r.tbs")
    assert asked.record_bytes == record
    for wrong in (b"", data[:-1], data + b"\0", b"\x84" + data[1:], data.replace(b"Signature", b"Signatura")):
        with pytest.raises(RequestError):
            read_to_be_signed(wrong, "r.tbs")
    lines = list(request_lines(asked))
    for index in range(len(data)):
        changed = data[:index] + bytes((data[index] ^ 1,)) + data[index + 1 :]
        try:
            other = read_to_be_signed(changed, "r.tbs")
        except RequestError:
            continue
        assert list(request_lines(other)) != lines, index
    Path("bad.tbs").write_bytes(data[:-1])
    done = gemel("show", "bad.tbs")
    assert done.code == 2
    assert "not the bytes to be signed of a seal" in done.err


def test_equal_records_do_not_differ(device: Path, gemel: Run, key) -> None:  # type: ignore[no-untyped-def]
    """The difference of a request to itself is none."""
    joined_as_asked(gemel)
    record = decode(record_of(Path("plain.hex")), "record")
    assert list(differences(record, record)) == []


@pytest.mark.parametrize(
    "words", ["--trust key-pub.pem", "--format json", "--format html", "--at 0", "station=a.elf"]
)
def test_a_request_passes_for_no_image(device: Path, gemel: Run, key, words: str) -> None:  # type: ignore[no-untyped-def]
    """The attack: ``show --trust KEY`` of a file of this name ended with 0, as if its seal had held."""
    joined_as_asked(gemel)
    data = bytes_to_sign(record_of(Path("plain.hex")), key.public_key.algorithm, key.public_key.fingerprint)
    Path("image.tbs").write_bytes(data)
    refused = gemel("show", "image.tbs", *words.split())
    assert (refused.code, "bytes to be signed are no image" in refused.err) == (2, True)
    shown = gemel("show", "image.tbs")
    assert gemel("show", "image.tbs", "-o", "said.txt").code == 0
    assert Path("said.txt").read_text(encoding="utf-8") == shown.out


@pytest.mark.parametrize("name", [".", "..", "/", "folder"])
def test_a_folder_is_no_place_for_a_request(device: Path, gemel: Run, key, name: str) -> None:  # type: ignore[no-untyped-def]
    """A path without a name of its own ended in a fault of gemel, as the text goes beside it by that name."""
    joined_as_asked(gemel)
    (device / "folder").mkdir()
    words = ("--to-be-signed", name, "--public", "key-pub.pem", *VALUES)
    refused = gemel("sign", "small.toml", "plain.hex", *words)
    assert (refused.code, "folder" in refused.err, "fault in gemel" in refused.err) == (2, True, False)
