"""An ELF file that a transfer converted as text: other line ends, UTF-8, or seven bits a byte."""

from __future__ import annotations

import re

from gemel.builds.elf.header import HEADER_SIZE, SECTION_HEADER_SIZE, ElfHeader, header_in
from gemel.builds.source import ByteSource
from gemel.errors import Problem

_HIGH, _OF_TWO = re.compile(rb"[\x80-\xff]"), re.compile(rb"[\xc2\xc3][\x80-\xbf]")
"""A byte from 0x80 on, and what such a byte is in UTF-8."""
MAX_CONVERTED = 1 << 26
"""Bytes of a file that is looked at."""
_STRINGS = 3
"""``sh_type`` of a section of names (SHT_STRTAB)."""
MAX_LOST = 4096
"""Bytes 0D whose loss is looked for."""
MIN_TELLING = 512
"""Bytes, without 0x00, from which on what is missing in them says something: code has bytes from 0x80 on all over."""


def text_conversion(source: ByteSource, header: ElfHeader, file: str) -> Problem | None:
    """What says that the file was converted: its bytes, or section headers that are elsewhere than its header says."""
    stated = header.section_headers_at
    data = source.read(0, source.size) if source.size <= MAX_CONVERTED else b""
    not_zero = len(data) - HEADER_SIZE - data.count(0, HEADER_SIZE)
    if not_zero >= MIN_TELLING and not _HIGH.search(data, HEADER_SIZE):
        return _problem(file, "no byte from 0x80 on: the highest bit of each is gone")
    if not data or not stated or _has_sections(data, header, stated):
        return None
    ends = data.count(b"\n")
    if ends and data.count(b"\r\n") == ends and _is_elf(data.replace(b"\r\n", b"\n")):
        return _problem(
            file, f"0D before each of {ends:,} bytes 0A, which lead to section headers without them"
        )
    if _OF_TWO.search(data) and _is_elf(data.decode("utf-8", "replace").encode("latin-1", "ignore")):
        return _problem(file, "two bytes, a character of UTF-8, for each byte from 0x80 on")
    if b"\r\n" not in data:
        for lost in range(1, min(MAX_LOST, stated) + 1):
            if _has_sections(data, header, stated - lost):
                found = "no 0D before a byte 0A" if b"\r" in data else "no byte 0D"
                return _problem(file, f"{found}; the section headers are {lost:,} bytes too early")
    return None


def _is_elf(data: bytes) -> bool:
    """Whether these bytes have section headers where their header says."""
    header = header_in(data[:HEADER_SIZE].ljust(HEADER_SIZE, b"\0"))
    return _has_sections(data, header, header.section_headers_at)


def _has_sections(data: bytes, header: ElfHeader, start: int) -> bool:
    """Whether there are section headers: the first is empty, another one is that of their names (gABI)."""
    names = start + header.section_names_index * SECTION_HEADER_SIZE
    return data[start : start + SECTION_HEADER_SIZE] == bytes(SECTION_HEADER_SIZE) and data[
        names + 4 : names + 8
    ] == _STRINGS.to_bytes(4, "little")


def _problem(file: str, found: str) -> Problem:
    return Problem(
        "the ELF file was converted as text",
        where=file,
        found=found,
        expected="the bytes that the linker wrote",
        next_step="transfer the file as binary, without conversion of line ends or encoding (.gitattributes: "
        "*.elf -text), or build it again",
    )
