"""Sections by name, against binutils and in damaged files."""

from __future__ import annotations

import re
import subprocess

import pytest
from builds.compiled import VARIANTS, compile_build
from elf_writer import SegmentSpec, elf
from reading_builds import read
from tools import required_tool

from gemel.builds.elf.section_table import MAX_NAMES
from gemel.spans import Span

CODE = SegmentSpec(0x1000_0000, bytes(range(1, 65)), section_name=".text")
BSS = SegmentSpec(0x2000_0000, b"", memory_size=64, flags="rw", section_name=".bss")


@pytest.mark.parametrize("variant", ["armv6-m", "stripped"])
def test_sections_are_those_that_readelf_lists(tmp_path, variant) -> None:
    """Number, name, address, size and flags of each section agree with ``readelf -SW`` (binutils)."""
    data = compile_build(tmp_path, VARIANTS[variant])
    listed = subprocess.run(
        [required_tool("arm-none-eabi-readelf"), "-SW", str(tmp_path / "build.elf")],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    line = re.compile(
        r"\[ *(\d+)\] (\S*) +(\w+) +([0-9a-f]{8}) ([0-9a-f]+) ([0-9a-f]+) \w+ +(\w*) +\d+ +\d+ +(\d+)"
    )
    expected = [
        (
            int(number),
            name,
            Span(int(address, 16), int(size, 16)),
            "A" in flags,
            "W" in flags,
            "X" in flags,
            kind != "NOBITS",
            int(offset, 16),
            int(alignment),
        )
        for number, name, kind, address, offset, size, flags, alignment in line.findall(listed)
        if kind != "NULL"
    ]
    assert len(expected) > 4
    sections = read(data, "build.elf").sections
    assert sections is not None
    assert [tuple(section) for section in sections.all()] == expected


def test_sections_by_name() -> None:
    """A name finds its section and nothing else."""
    sections = read(elf([CODE, BSS]), "a.elf").sections
    assert sections is not None
    (bss,) = sections.named(".bss")
    assert (bss.span, bss.allocated, bss.stored) == (Span(0x2000_0000, 64), True, False)
    assert sections.named(".bs") == sections.named("bss") == ()


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"sections": False}, "no section headers"),
        ({"header": {"e_shstrndx": 1}}, "names section 1"),
        ({"header": {"e_shstrndx": 99}}, "names section 99"),
        ({"section_headers": {".shstrtab": {"sh_offset": 1 << 30}}}, "outside the file"),
    ],
)
def test_what_keeps_sections_from_being_read_is_said(options, told) -> None:
    """A file whose names of sections cannot be read is a build all the same, and says why it has none."""
    build = read(elf([CODE, BSS], **options), "a.elf")
    assert build.sections is None
    assert told in build.reason_for("sections")
    assert len(build.segments) == 2


def test_far_too_many_names_are_not_read() -> None:
    """More than the limit of bytes of names are refused with both numbers."""
    data = elf(
        [SegmentSpec(0x1000_0000, bytes(MAX_NAMES + 64))],
        section_headers={".shstrtab": {"sh_offset": 84, "sh_size": MAX_NAMES + 1}},
    )
    build = read(data, "a.elf")
    assert build.sections is None
    assert f"{MAX_NAMES + 1:,} bytes" in build.reason_for("sections")


def test_the_names_may_stand_in_a_section_of_a_high_number() -> None:
    """0xFFFF as the index of the names sends the reader to sh_link of section 0 (gABI, "ELF Header")."""
    plain = elf([CODE, BSS])
    index = int.from_bytes(plain[50:52], "little")
    data = elf([CODE, BSS], header={"e_shstrndx": 0xFFFF}, section_headers={"": {"sh_link": index}})
    sections = read(data, "a.elf").sections
    assert sections is not None
    assert [section.name for section in sections.all()][:2] == [".text", ".bss"]


def test_a_name_without_an_end_is_cut() -> None:
    """A name offset outside the names gives an empty name; an address at the top cuts the size."""
    data = elf([CODE, BSS], section_headers={".bss": {"sh_addr": 0xFFFF_FFF0}})
    sections = read(data, "a.elf").sections
    assert sections is not None
    assert sections.named(".bss")[0].span == Span(0xFFFF_FFF0, 16)
