"""What is said of a file whose ELF header is not that of a linked 32-bit Arm program."""

from __future__ import annotations

import pytest
from elf_writer import elf
from reading_builds import CODE, one_refusal, read, read_elf, refused

from gemel.builds.elf_builds import read_elf as read_elf_file
from gemel.builds.source import BytesSource
from gemel.errors import BuildError

SOUND = elf([CODE], entry=0x1000_0001)


def _ident(word_class: int = 1, byte_order: int = 1, version: int = 1) -> dict[str, bytes]:
    return {"e_ident": b"\x7fELF" + bytes((word_class, byte_order, version)) + bytes(9)}


BAD_HEADERS = {
    "text file": (b"this is not a program\n", ["not an ELF file", "found text", "7F 45 4C 46"]),
    "other binary": (b"\x00\x80\x00\x20\xff", ["not an ELF file", "00 80 00 20", "7F 45 4C 46"]),
    "empty file": (b"", ["the file is empty", "0 bytes", "an ELF file"]),
    "cut in the magic": (SOUND[:3], ["not an ELF file", "cut after 3 bytes"]),
    "cut in the identification": (SOUND[:12], ["ELF header is cut", "12 bytes", "52 bytes"]),
    "cut before its last byte": (SOUND[:51], ["ELF header is cut", "51 bytes", "52 bytes"]),
    "64-bit": (elf([CODE], header=_ident(word_class=2)), ["not 32-bit", "64-bit (class 2)", "class 1"]),
    "no class": (elf([CODE], header=_ident(word_class=0)), ["not 32-bit", "class 0", "32-bit (class 1)"]),
    "big-endian": (
        # e_machine of a real big-endian file is big-endian too
        SOUND[:5] + b"\x02" + SOUND[6:18] + b"\x00\x28" + SOUND[20:],
        ["not little-endian", "big-endian (2)", "little-endian (1)"],
    ),
    "identification version": (elf([CODE], header=_ident(version=2)), ["unknown ELF version", "version 2"]),
    "64-bit x86 machine": (
        elf([CODE], header={"e_machine": 62}),
        ["not for a 32-bit Arm core", "machine 62 (64-bit x86)", "machine 40"],
    ),
    "unknown machine": (
        elf([CODE], header={"e_machine": 0xBEEF}),
        ["not for a 32-bit Arm core", "machine 48879"],
    ),
    "relocatable": (
        elf([CODE], header={"e_type": 1}),
        ["not an executable", "a relocatable object", "executable (type 2)", "link it first"],
    ),
    "relocatable without program headers": (
        elf([], header={"e_type": 1}),
        ["not an executable", "a relocatable object", "link it first"],
    ),
    "shared": (
        elf([CODE], header={"e_type": 3}),
        ["not an executable", "a shared object", "fixed addresses"],
    ),
    "core dump": (elf([CODE], header={"e_type": 4}), ["not an executable", "a core dump"]),
    "no type": (elf([CODE], header={"e_type": 0}), ["not an executable", "no type"]),
    "type of a processor": (elf([CODE], header={"e_type": 0xFF01}), ["not an executable", "type 65281"]),
    "version": (elf([CODE], header={"e_version": 0}), ["unknown ELF version", "version 0", "version 1"]),
    "own size": (elf([CODE], header={"e_ehsize": 64}), ["e_ehsize", "64 bytes", "52 bytes"]),
    "no program headers": (elf([]), ["no program headers", "0 program headers"]),
    "program header size": (
        elf([CODE], header={"e_phentsize": 56}),
        ["e_phentsize", "56 bytes each", "32 bytes each"],
    ),
    "program headers past the end": (
        elf([CODE], header={"e_phoff": 0x7FFF_FFFF}),
        ["past the end of the file", f"{len(SOUND):,} bytes", f"at least {0x7FFF_FFFF + 32:,} bytes"],
    ),
    "program header table wraps": (
        elf([CODE], header={"e_phoff": 0xFFFF_FFF0}),
        ["past the end of the file", "at least 4,294,967,312 bytes"],
    ),
    "too many program headers": (
        elf([CODE], header={"e_phnum": 0xFFFE}),
        ["too many program headers", "65,534", "at most 1,024"],
    ),
    "a million program headers": (
        elf([CODE], header={"e_phnum": 0xFFFF}, section_headers={"": {"sh_info": 1_000_000}}),
        ["too many program headers", "1,000,000", "at most 1,024"],
    ),
    "count in a section that is not there": (
        elf([CODE], header={"e_phnum": 0xFFFF}, sections=False),
        ["section 0, which is not in the file", "offset 0 of"],
    ),
    "count in a section past the end": (
        elf([CODE], header={"e_phnum": 0xFFFF, "e_shoff": 0xFFFF_FFF0}),
        ["section 0, which is not in the file", "offset 4,294,967,280 of"],
    ),
    "count in section 0 is zero": (
        elf([CODE], header={"e_phnum": 0xFFFF}, section_headers={"": {"sh_info": 0}}),
        ["no program headers"],
    ),
}


@pytest.mark.parametrize("name", BAD_HEADERS)
def test_bad_header(name: str) -> None:
    """Each bad header is refused with one problem that says what was found and what was expected."""
    data, words = BAD_HEADERS[name]
    text = one_refusal(data)
    missing = [word for word in words if word not in text]
    assert not missing, f"{missing} not in: {text}"


def test_a_file_for_another_machine_is_one_problem() -> None:
    """A 64-bit big-endian file of another machine is refused for its machine, from which class and order follow."""
    data = bytearray(elf([CODE], header=_ident(2, 2)))
    data[18:20] = b"\x00\x15"  # 64-bit Power, big-endian
    assert [problem.what for problem in refused(bytes(data))] == ["the program is not for a 32-bit Arm core"]
    assert "machine 21" in str(refused(bytes(data))[0])


def test_a_foreign_arm_file_says_all_at_once() -> None:
    """A file that says it is for Arm, and is 64-bit and big-endian, is refused for both."""
    data = bytearray(elf([CODE], header=_ident(2, 2)))
    data[18:20] = b"\x00\x28"
    assert [problem.what for problem in refused(bytes(data))] == [
        "the ELF file is not 32-bit",
        "the ELF file is not little-endian",
    ]


def test_header_and_segment_problems_come_together() -> None:
    """Problems of the header and of every segment come in one error."""
    data = elf(
        [CODE, CODE],
        header={"e_machine": 243, "e_type": 3, "e_ehsize": 0},
        program_headers={0: {"p_memsz": 1}, 1: {"p_offset": 0xFFFF_0000}},
    )
    problems = refused(data)
    assert [problem.where for problem in problems] == [
        *["sampler.elf"] * 3,
        "sampler.elf, segment 0",
        "sampler.elf",
    ]


def test_count_in_section_0() -> None:
    """A true number of program headers in section 0 is used (gABI, "e_phnum", PN_XNUM)."""
    data = elf([CODE], header={"e_phnum": 0xFFFF}, section_headers={"": {"sh_info": 1}})
    assert [segment.data for segment in read(data).segments] == [CODE.data]


def test_sound_header_has_no_remarks() -> None:
    """A sound file is read without remarks, its entry with the Thumb bit."""
    build = read(SOUND)
    assert build.remarks == ()
    assert build.entry == 0x1000_0001


def test_no_entry() -> None:
    """An e_entry of 0 states no entry point (AAELF32, "ELF Header"), and the build says so."""
    build = read_elf(entry=0)
    assert build.entry is None
    assert "e_entry is 0" in build.reason_for("entry point")


REMARKS = {
    "older ABI": (elf([CODE], header={"e_flags": 0x0400_0000}), ["Arm ABI", "version 4", "version 5"]),
    "unknown ABI": (elf([CODE], header={"e_flags": 0}), ["Arm ABI", "version 0"]),
}


@pytest.mark.parametrize("name", REMARKS)
def test_remark(name: str) -> None:
    """Oddities that do no harm are remarks of a build that is read."""
    data, words = REMARKS[name]
    build = read(data)
    assert build.segments
    assert len(build.remarks) == 1
    assert all(word in str(build.remarks[0]) for word in words), str(build.remarks[0])


@pytest.mark.parametrize("size", range(0, len(SOUND), 7))
def test_every_cut_is_refused_or_loads_the_same(size: int) -> None:
    """A file cut anywhere is refused, or loads the same bytes and says that its sections are cut."""
    if size < 52 + 32 + len(CODE.data):
        assert refused(SOUND[:size])
        return
    build = read(SOUND[:size])
    assert build.segments == read(SOUND).segments
    assert any("cut" in str(remark) for remark in build.remarks)


@pytest.mark.parametrize(("data", "found"), [(b"", "an empty file"), (b"MZ\x90\0", "4D 5A 90 00")])
def test_reader_of_elf_files_alone(data: bytes, found: str) -> None:
    """The reader of ELF files, called for something else, says what it was given."""
    with pytest.raises(BuildError, match="this is not an ELF file") as caught:
        read_elf_file(BytesSource(data), name="sampler", file="sampler.elf")
    assert found in str(caught.value)
