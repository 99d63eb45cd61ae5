"""ELF files with debug information: everything that commands ask of a build."""

from __future__ import annotations

from debug_of_any_size import line_program, station
from dwarf_writer import Debug, basic, member, record

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.errors import GemelError

REFUSALS = (GemelError,)
_WORD = basic()
_TYPES = Debug(_WORD, record("link_frame", 8, member("m", _WORD), member("n", _WORD, 4))).sections()
SEEDS = [station({**_TYPES, ".debug_line": line_program(b"\x14\x21\x02\x04\x15" * 8)})]


def decode(data: bytes) -> None:
    """Segments, symbols, attributes and notes are read or refused; types, lines and sources are read or left."""
    build = read_build(BytesSource(data, "x.elf"), name="station", file="x.elf")
    if build.symbols:
        list(build.symbols.places())
        build.symbols.find("link_frames")
        build.symbols.function_at(0x1000_0101)
        _ = build.symbols.marks, build.symbols.extents
    if build.debug:
        build.debug.line_at(0x1000_0004)
        build.debug.lines()
        build.debug.unit_sources()
        build.debug.types().named("struct link_frame")
