"""Which kind of build a file is, and builds that are not ELF."""

from __future__ import annotations

import pytest
from elf_writer import elf
from reading_builds import CODE, FLASH, one_refusal, read, refused

from gemel.builds.reader import SUFFIXES, recognised_kind
from gemel.builds.source import BLOCK_SIZE, BytesSource, blocks_of
from gemel.errors import BuildError

ELF = elf([CODE])
# Records of the formats' own documents: Intel HEX (type 04 for 0x0800_0000, one data record, entry, end)
# and the S-record handbook's example (M68000 Family Programmer's Reference Manual, appendix C).
HEX = (
    b":020000040800F2\r\n:10010000214601360121470136007EFE09D2190140\r\n"
    b":0400000508000041AE\r\n:00000001FF\r\n"
)
SREC = b"""S00600004844521B
S1130000285F245F2212226A000424290008237C2A
S11300100002000800082629001853812341001813
S113002041E900084E42234300182342000824A952
S107003000144ED492
S9030000FC
"""
HEX_DATA = bytes.fromhex("214601360121470136007EFE09D21901")


def test_intel_hex() -> None:
    """An Intel HEX file is a build of one segment a run of bytes, its entry kept with the Thumb bit."""
    build = read(HEX, "station.hex")
    assert build.kind == "hex"
    assert [(s.load_address, s.run_address, s.data) for s in build.segments] == [
        (0x0800_0100, 0x0800_0100, HEX_DATA)
    ]
    assert build.segments[0].memory_size == 16
    assert build.entry == 0x0800_0041
    assert build.reason_for("entry point") == ""


def test_s_record() -> None:
    """An S-record file is a build as well."""
    build = read(SREC, "station.s19")
    assert build.kind == "srec"
    assert [(s.load_address, len(s.data)) for s in build.segments] == [(0, 0x34)]
    assert build.segments[0].data[:4] == bytes.fromhex("285F245F")


def test_gaps_make_segments() -> None:
    """Each run of bytes is a segment, in order of address."""
    text = b":0400100001020304E2\n:0400000005060708E2\n:00000001FF\n"
    build = read(text, "station.hex")
    assert [(s.load_address, s.data, s.index) for s in build.segments] == [
        (0, bytes((5, 6, 7, 8)), 0),
        (16, bytes((1, 2, 3, 4)), 1),
    ]


def test_raw_binary() -> None:
    """A raw binary lies where the caller says."""
    build = read(b"\x00\x80\x00\x20raw", "station.bin", raw_start=FLASH)
    assert build.kind == "bin"
    assert [(s.load_address, s.data) for s in build.segments] == [(FLASH, b"\x00\x80\x00\x20raw")]
    assert build.entry is None
    assert "cannot state one" in build.reason_for("entry point")


@pytest.mark.parametrize(
    ("data", "file"), [(HEX, "a.hex"), (SREC, "a.srec"), (b"raw", "a.bin")], ids=["hex", "srec", "bin"]
)
def test_what_is_missing_is_said(data: bytes, file: str) -> None:
    """A file that is not ELF says of everything it cannot tell why."""
    build = read(data, file, raw_start=FLASH)
    assert build.symbols is build.attributes is build.build_id is None
    for subject in (
        "run addresses",
        "RAM use",
        "access permissions",
        "symbols",
        "build id",
        "build attributes",
    ):
        assert build.reason_for(subject), subject


RECOGNISED = {
    "ELF": (ELF, "a.elf", "elf"),
    "ELF by another name": (ELF, "a.axf", "elf"),
    "ELF without a suffix": (ELF, "firmware", "elf"),
    "ELF of unknown suffix": (ELF, "firmware.debug", "elf"),
    "ELF in capitals": (ELF, "A.ELF", "elf"),
    "HEX": (HEX, "a.hex", "hex"),
    "HEX of unknown suffix": (HEX, "a.txt", "hex"),
    "HEX after blank lines": (b"\r\n\r\n  " + HEX, "a.hex", "hex"),
    "HEX of one line": (b":00000001FF", "a", "hex"),
    "lower-case HEX": (HEX.lower(), "a.hex", "hex"),
    "HEX with a broken first line": (b":0100zz\n", "a.hex", "hex"),
    "S-record": (SREC, "a.s37", "srec"),
    "S-record of unknown suffix": (SREC, "a", "srec"),
    "S-record with a broken first line": (b"S1zz\n", "a.srec", "srec"),
    "raw": (b"\x00\x01", "a.bin", "bin"),
    "raw that begins with a colon": (b":\x01\x02\x03", "a.bin", "bin"),
    "raw that begins with S1": (b"S1\x00\x00", "a.bin", "bin"),
}


@pytest.mark.parametrize("name", RECOGNISED)
def test_recognised(name: str) -> None:
    """The kind follows from the content; only a raw binary from its suffix."""
    start, file, kind = RECOGNISED[name]
    assert recognised_kind(start, file) == kind


CONTRADICTIONS = {
    "HEX named ELF": (HEX, "a.elf", ["does not match its name", "an Intel HEX file", "an ELF file"]),
    "ELF named raw": (ELF, "a.bin", ["does not match its name", "an ELF file", "a raw binary"]),
    "HEX named raw": (HEX, "a.bin", ["does not match its name", "an Intel HEX file", "a raw binary"]),
    "S-record named HEX": (
        SREC,
        "a.hex",
        ["does not match its name", "an S-record file", "an Intel HEX file"],
    ),
    "ELF named HEX": (ELF, "a.hex", ["does not match its name", "an ELF file", "an Intel HEX file"]),
    "raw named ELF": (bytes(20), "a.elf", ["not an ELF file", "00 00 00 00", "7F 45 4C 46"]),
    "text named ELF": (
        b"version https://git-lfs.github.com/spec/v1\noid sha256:0\n",
        "a.elf",
        ["not an ELF file", "a pointer of Git LFS"],
    ),
    "ELF of one byte": (b"\x7f", "a.elf", ["not an ELF file", "cut after 1 bytes"]),
    "text named HEX": (b"hello", "a.hex", ["not an Intel HEX file", "begins with a colon"]),
    "a web page named HEX": (b"<html>", "a.hex", ["not an Intel HEX file", "a web page", "download"]),
    "raw named S-record": (b"\xff\xff", "a.srec", ["not an S-record file", "FF FF"]),
    "raw without a suffix": (b"\x00\x80\x00\x20", "a", ["cannot be recognised", "00 80 00 20", ".bin"]),
    "empty ELF": (b"", "a.elf", ["the file is empty", "an ELF file"]),
    "empty HEX": (b"", "a.hex", ["the file is empty", "an Intel HEX file"]),
    "empty raw": (b"", "a.bin", ["the file is empty", "a raw binary"]),
    "empty unknown": (b"", "a", ["the file is empty", "a build"]),
    "HEX without data": (b":00000001FF\n", "a.hex", ["the build is empty", "an Intel HEX file with no data"]),
}


@pytest.mark.parametrize("name", CONTRADICTIONS)
def test_contradiction(name: str) -> None:
    """A file that is not what its name promises is refused with both kinds named."""
    data, file, words = CONTRADICTIONS[name]
    text = one_refusal(data, file, raw_start=FLASH)
    missing = [word for word in words if word not in text]
    assert not missing, f"{missing} not in: {text}"


def test_every_suffix_keeps_its_promise() -> None:
    """A file that is nothing is refused under each suffix but that of raw binaries."""
    for suffix, kind in SUFFIXES.items():
        if kind != "bin":
            assert refused(b"\xff\xff\xff\xff", f"a{suffix}")


def test_raw_binary_needs_a_start() -> None:
    """A raw binary without a start address is refused, with what to do."""
    text = one_refusal(b"raw", "a.bin")
    assert "does not say where it belongs" in text
    assert "a layout in which an area stores the build" in text


def test_broken_hex_is_a_build_error() -> None:
    """What is wrong inside a HEX file comes as an error of the build, with file and line."""
    with pytest.raises(BuildError) as caught:
        read(HEX.replace(b"40\r\n", b"41\r\n"), "station.hex")
    assert any(problem.where.startswith("station.hex:2") for problem in caught.value.problems)


def test_raw_binary_past_the_end_of_the_address_space() -> None:
    """A raw binary that does not fit behind its start is an error of the build."""
    assert refused(bytes(32), "a.bin", raw_start=0xFFFF_FFF0)


def test_source_that_became_shorter() -> None:
    """Asking a source for bytes it does not have is an error that says so."""
    source = BytesSource(b"12345", "a.elf")
    assert source.read(1, 4) == b"2345"
    for offset, size in ((2, 4), (6, 0), (-1, 2), (0, -1)):
        with pytest.raises(BuildError, match="ends before the bytes"):
            source.read(offset, size)


def test_blocks() -> None:
    """A source is handed out in blocks, whole and in order."""
    data = bytes(range(256)) * (BLOCK_SIZE // 256 + 3)
    blocks = list(blocks_of(BytesSource(data)))
    assert b"".join(blocks) == data
    assert max(map(len, blocks)) <= BLOCK_SIZE
    assert list(blocks_of(BytesSource(b""))) == []
