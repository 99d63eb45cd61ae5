"""Debug information of any size, made of few bytes: for tests of what reading it costs."""

from __future__ import annotations

import struct
import zlib

import small_device
from elf_writer import SegmentSpec

IGNORED = 0x6000_0000
"""A segment type of the operating system's range: carries a section, and is not loaded."""


def packed(data: bytes) -> bytes:
    """A section in the older compressed form."""
    return b"ZLIB" + struct.pack(">Q", len(data)) + zlib.compress(data, 9)


def unit(body: bytes, abbreviations: int = 0) -> bytes:
    """A unit of DWARF 5."""
    return struct.pack("<IHBBI", 8 + len(body), 5, 1, 4, abbreviations) + body


def line_program(body: bytes) -> bytes:
    """A line number program of DWARF 4 with one file."""
    rest = bytes([1, 1, 1, 0xFB, 14, 13, 0, 1, 1, 1, 1, 0, 0, 0, 1, 0, 0, 1]) + b"\0a.c\0\0\0\0\0"
    program = struct.pack("<HI", 4, len(rest)) + rest + b"\0\x05\x02\0\0\0\x10" + body + b"\0\x01\x01"
    return struct.pack("<I", len(program)) + program


def station(sections: dict[str, bytes]) -> bytes:
    """The station's build with these sections of debug information."""
    return small_device.station_elf(extra=segments(sections))


def segments(sections: dict[str, bytes]) -> tuple[SegmentSpec, ...]:
    """Segments that carry sections and are not loaded."""
    return tuple(
        SegmentSpec(0, data, flags="r", type=IGNORED, section_name=name) for name, data in sections.items()
    )


PRODUCER = b"\x01\x11\0\x25\x08\x03\x08\0\0\0"
"""Abbreviation 1: a unit with DW_AT_producer and DW_AT_name as texts (DWARF 5, section 7.5.3)."""
