"""A second pair of eyes: faults put into gemel's own codecs, reader and seals are caught by other libraries."""

from __future__ import annotations

from pathlib import Path

import pytest
from releases import ED25519, SEAL, Keys, broken, release_folder, released, write_device
from seal_keys import every_key, key_for
from small_device import FLASH, SegmentSpec, layout, station_elf
from tide_gauge import ARRANGEMENTS, BUILT, layout_file

import gemel
from gemel.files.reading import FileSource
from gemel.image import intel_hex, raw_binary, s_record
from gemel.release.read_back.readers import (
    BuildFile,
    ReadBackError,
    compare,
    first_difference,
    joined_runs,
    read_elf,
    read_hex,
    read_s_record,
)
from gemel.release.read_back.seals import record_of, verify
from gemel.seals.keys.keys import PublicKey
from gemel.workflows.read_back import read_back

READ_BACK = ("written-files-read-back", "builds-read-back", "seal-read-back")


def changed(encode, change):
    """An encoder whose output went through ``change``."""

    def made(*values, **named):
        return [change(b"".join(encode(*values, **named)))]

    return made


def hex_line(data: bytes, number: int, at: int, value: bytes) -> bytes:
    """Intel HEX text in which line ``number`` has other characters, and its checksum fits again."""
    lines = data.splitlines(keepends=True)
    digits = lines[number].strip()[1:-2]
    digits = digits[:at] + value + digits[at + len(value) :]
    total = -sum(bytes.fromhex(digits.decode())) & 0xFF
    lines[number] = b":" + digits + b"%02X" % total + b"\r\n"
    return b"".join(lines)


HEX_FAULTS = {
    "a byte": lambda data: hex_line(data, 2, 8, b"AA"),
    "an address": lambda data: hex_line(data, 2, 2, b"0FF0"),
    "a line left out": lambda data: b"".join(
        data.splitlines(keepends=True)[:3] + data.splitlines(keepends=True)[4:]
    ),
    "a wrong checksum": lambda data: data.replace(data.splitlines()[2], data.splitlines()[2][:-2] + b"00"),
    "no end": lambda data: b"".join(data.splitlines(keepends=True)[:5]),
    "another start address": lambda data: hex_line(data, len(data.splitlines()) - 2, 14, b"11"),
}


@pytest.mark.parametrize("fault", HEX_FAULTS)
def test_a_fault_in_the_hex_codec_is_caught(fault, tmp_path, monkeypatch):
    """intelhex reads other bytes, another start address or nothing at all: the release is not made."""
    monkeypatch.setattr(intel_hex, "encode", changed(intel_hex.encode, HEX_FAULTS[fault]))
    made = released(write_device(tmp_path))
    assert broken(made.check, *READ_BACK) == ["written-files-read-back"]
    assert made.files == {}


def other_byte(data: bytes) -> bytes:
    """S-record text in which the last byte of the second line is another, its checksum fitting."""
    lines = data.splitlines(keepends=True)
    body = bytearray.fromhex(lines[1].strip()[2:-2].decode())
    body[-1] ^= 0x40
    lines[1] = lines[1][:2] + body.hex().upper().encode() + b"%02X" % (~sum(body) & 0xFF) + b"\r\n"
    return b"".join(lines)


S_RECORD_FAULTS = {
    "a byte": other_byte,
    "a line left out": lambda data: b"".join(
        data.splitlines(keepends=True)[:2] + data.splitlines(keepends=True)[3:]
    ),
}


@pytest.mark.parametrize("fault", S_RECORD_FAULTS)
def test_a_fault_in_the_s_record_codec_is_caught(fault, tmp_path, monkeypatch):
    """bincopy reads other bytes than the image has: the release is not made."""
    monkeypatch.setattr(s_record, "encode", changed(s_record.encode, S_RECORD_FAULTS[fault]))
    made = released(write_device(tmp_path), formats=["srec"])
    assert broken(made.check, *READ_BACK) == ["written-files-read-back"]
    assert made.files == {}


RAW_FAULTS = {
    "a byte": lambda data: data[:9] + bytes((data[9] ^ 1,)) + data[10:],
    "one byte less": lambda data: data[:-1],
    "shifted": lambda data: b"\xff" + data[:-1],
    "another fill": lambda data: data.replace(b"\xff" * 64, b"\x00" * 64),
}


@pytest.mark.parametrize("form", ["bin", "hex"], ids=["of the image", "of a whole memory"])
@pytest.mark.parametrize("fault", RAW_FAULTS)
def test_a_fault_in_raw_binaries_is_caught(fault, form, tmp_path, monkeypatch):
    """A comparison of our own, byte by byte with the image, finds what a raw binary has otherwise."""
    monkeypatch.setattr(raw_binary, "encode", changed(raw_binary.encode, RAW_FAULTS[fault]))
    made = released(write_device(tmp_path), formats=[form], memories=form == "hex")
    assert broken(made.check, *READ_BACK) == ["written-files-read-back"]


def test_a_fault_in_the_reader_of_builds_is_caught(tmp_path, monkeypatch):
    """The ELF reader gives one byte otherwise, to join and check alike; pyelftools does not."""
    device = write_device(tmp_path)
    real = FileSource.read

    def wrong(self, offset, size):
        data = real(self, offset, size)
        return data.replace(bytes(range(1, 65)), bytes(range(1, 64)) + b"\x3f")

    monkeypatch.setattr(FileSource, "read", wrong)
    made = released(device)
    assert broken(made.check, *READ_BACK) == ["builds-read-back"]
    assert len([each for each in made.check.findings if each.rule.name == "builds-read-back"]) == 2


def test_a_fault_in_seals_is_caught(tmp_path, monkeypatch):
    """A signature that gemel takes for sound, and that is none, is refused by cryptography called another way."""
    monkeypatch.setattr(PublicKey, "verify", lambda self, signature, data: True)
    monkeypatch.setattr(type(key_for("Ed25519")), "sign", lambda self, data: bytes(64))
    made = released(write_device(tmp_path))
    assert broken(made.check) == ["seal-read-back"]
    assert made.files == {}


def test_bytes_to_be_signed_that_are_wrong_are_caught(tmp_path, monkeypatch):
    """A Sig_structure that is not RFC 9052's, in maker and checker alike, does not pass."""
    from gemel.seals import format as seal_format

    real = seal_format.sig_structure
    monkeypatch.setattr(seal_format, "sig_structure", lambda *words: real("Signature1", *words[1:]))
    made = released(write_device(tmp_path))
    assert broken(made.check) == ["seal-read-back"]


@pytest.mark.parametrize("key", every_key(), ids=lambda key: key.algorithm.name)
def test_every_algorithm_is_read_back(key, tmp_path):
    """A sound seal of each algorithm holds on the second path too."""
    add = SEAL.replace('area = "seal"', f'area = "seal"\nalgorithms = ["{key.algorithm.name}"]')
    sizes = {'offset = "11 KiB", size = "1 KiB"': 'offset = "11 KiB", size = "5 KiB"'}
    made = released(write_device(tmp_path, add, sizes, key=key), Keys(key))
    assert made.files, made.check.to_text()
    result = next(each for each in made.check.results if each.rule.name == "seal-read-back")
    assert result.status == "holds"
    assert key.public_key.fingerprint.hex()[:16] in result.holds[0].where


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_sound_builds_of_every_arrangement_hold(arrangement, tmp_path):
    """In place, copied to RAM and in two banks, with HEX, S-record and raw binary: nothing is found."""
    read = gemel.load_layout(layout_file(arrangement))
    files = {name: BUILT / arrangement / f"{name}.elf" for name in ("station", "sampler")}
    builds = gemel.load_builds(read, files)
    image = gemel.join(read, builds).image
    data = {name: BuildFile(path.name, "elf", path.read_bytes()) for name, path in files.items()}
    outputs = [Path("tide.hex"), Path("tide.srec")]
    result = read_back(gemel.check(read, image, builds), image, outputs, {}, data)
    found = [each for each in result.results if each.rule.name in READ_BACK]
    assert [each.status for each in found[:2]] == ["holds", "holds"], result.to_text()
    assert len(found[0].holds) == len(found[1].holds) == 2


def test_builds_that_are_no_elf_files_are_compared(tmp_path):
    """HEX, S-record and raw parts of an image, read by intelhex and bincopy, are in it."""
    from gemel.workflows.splitting import split

    read = gemel.load_layout(layout_file("in-place"))
    files = {name: BUILT / "in-place" / f"{name}.elf" for name in ("station", "sampler")}
    image = gemel.join(read, gemel.load_builds(read, files)).image
    parts = split(read, image).files
    runs = joined_runs(image.data.pieces())
    plan = read.layout.builds["sampler"]
    for kind, data in (("hex", parts["sampler.hex"]), ("bin", parts["sampler.bin"])):
        done = compare(read.layout, plan, BuildFile(f"sampler.{kind}", kind, data), runs, [])
        assert (done.different, done.size) == (None, 0x600)


def test_two_segments_of_one_address_count_as_either():
    """Padding of one segment over another's bytes, which gemel leaves out, is no difference; a third value is."""
    read = layout()
    data = station_elf(extra=(SegmentSpec(FLASH + 8, b"\xee"),))
    pieces = dict(read_elf(data))
    first = pieces[FLASH]
    plan = read.layout.builds["station"]
    file = BuildFile("station.elf", "elf", data)
    held = bytearray(first)
    assert compare(read.layout, plan, file, ((FLASH, bytes(held)),), []).different is None
    held[8] = 0xEE
    assert compare(read.layout, plan, file, ((FLASH, bytes(held)),), []).different is None
    held[8] = 0x77
    assert compare(read.layout, plan, file, ((FLASH, bytes(held)),), []).different == FLASH + 8


RUNS = ((0, b"abc"), (8, b"defg"))
DIFFERENCES = {
    "same": (RUNS, None),
    "a byte": (((0, b"abc"), (8, b"dEfg")), 9),
    "a run missing": (((0, b"abc"),), 8),
    "a run more": ((*RUNS, (20, b"x")), 20),
    "a run longer": (((0, b"abcd"), (8, b"defg")), 3),
    "a run shorter": (((0, b"abc"), (8, b"def")), 11),
    "a run earlier": (((0, b"abc"), (7, b"_defg")), 7),
    "nothing": ((), 0),
}


@pytest.mark.parametrize("case", DIFFERENCES)
def test_the_first_difference(case):
    """Spans and bytes are compared, from both sides."""
    found, expected = DIFFERENCES[case]
    for one, two in ((found, RUNS), (RUNS, found)):
        difference = first_difference(one, two)
        assert (difference.address if difference else None) == expected


@pytest.mark.parametrize("data", [b"", b"\x7fELF", b"\x7fELF" + bytes(60), b"not"])
def test_what_is_no_elf_file_is_said_so(data):
    """pyelftools' errors become one of ours, never a traceback."""
    with pytest.raises(ReadBackError):
        read_elf(data)


@pytest.mark.parametrize(
    "data", [b":00", b":0000000FF1\n", b"\xff\xfe", b":0300300002337A1E\n:0300310002337A1D\n"]
)
def test_what_is_no_hex_file_is_said_so(data):
    """Bad records and overlaps are refused by intelhex."""
    with pytest.raises(ReadBackError):
        read_hex(data)


def test_what_is_no_s_record_is_said_so():
    """Bad records are refused by bincopy."""
    with pytest.raises(ReadBackError):
        read_s_record(b"S1130000")


@pytest.mark.parametrize(
    "area",
    [
        b"\xff" * 64,
        b"\xd8\x62\x80",
        b"\xd8\x62\x84\x40\xa0\xf6\x80",
        b"\xd8\x12\x84\x40\xa0\xf6\x80",
        b"\x84",
    ],
)
def test_what_is_no_seal_is_said_so(area):
    """Bytes that are no COSE_Sign, or one without signers, are refused whatever they are."""
    with pytest.raises(ReadBackError):
        verify(area, b"", [])


def test_the_record_is_taken_by_its_own_size_and_crc():
    """Mark, size and CRC are checked apart from gemel's reader."""
    with pytest.raises(ReadBackError):
        record_of(b"GEMELREC" + bytes(400))
    with pytest.raises(ReadBackError):
        record_of(b"\xff" * 400)


def test_an_unsealed_image_is_said_not_to_be_read_back(tmp_path):
    """Without a seal there is nothing to verify, and the report says so."""
    made = released(write_device(tmp_path, '\n[seal]\narea = "seal"\n'), Keys())
    result = next(each for each in made.check.results if each.rule.name == "seal-read-back")
    assert (result.status, bool(made.files)) == ("not checked", True)


def test_the_reports_say_it(tmp_path):
    """The report in the folder names file and library of each reading."""
    text = (release_folder(tmp_path, ED25519, formats=["hex", "srec"]) / "check.txt").read_text()
    for words in ("by intelhex", "by bincopy", "by pyelftools", "verified by cryptography"):
        assert words in " ".join(text.split())
