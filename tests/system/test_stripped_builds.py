"""ELF files of lld that GNU tools copied: these write sizes of memory that reach far beyond the sections."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair, said_by
from small_device import findings

from gemel.spans import Span

MORE = ("/*BEFORE*/", 'uint32_t ring[300]; __attribute__((section(".shared"), used)) uint32_t shared[16];')
USED = ("/*MAIN*/", f"{RELEASE} ring[turns % 300] = shared[turns % 16];")
MOVED = (
    "  .bss (NOLOAD)",
    "  .fast : { fast_start = .; *(.fast) fast_end = .; } > ram AT > code\n  .bss (NOLOAD)",
)
PLACED = (
    "  /DISCARD/",
    "  .kept (NOLOAD) : { kept_start = .; *(.kept) kept_end = .; } > kept\n"
    "  .shared (NOLOAD) : { *(.shared) } > link\n  /DISCARD/",
)
"""An empty section of functions in RAM, and one in RAM that keeps its content: lld keeps both, with symbols in them."""

AFTER = (
    "arm-none-eabi-strip",
    "arm-none-eabi-strip -g",
    "arm-none-eabi-objcopy",
    "arm-none-eabi-objcopy --remove-section=.note.none",
    "llvm-strip",
)
FAMILIES = (("v6", "-Os"), ("v7", "-O1"), ("v8", "-O2"))


def _elf(core: str, family: str, level: str, after: str, *edits: tuple[str, str]) -> bytes:
    return compiled(core, "clang", family, level, edits, after)


@pytest.mark.parametrize("after", AFTER)
@pytest.mark.parametrize(("family", "level"), FAMILIES)
@pytest.mark.parametrize("edits", [(MOVED, PLACED), (MORE, USED, MOVED, PLACED)])
def test_section_headers_say_where_a_segment_ends(
    edits: tuple[tuple[str, str], ...], family: str, level: str, after: str
) -> None:
    """Nothing is found, and what was read is said where it is not what the program headers have."""
    builds = pair(
        station=_elf("station", family, level, after, *edits),
        sampler=_elf("sampler", family, level, after, MOVED, PLACED),
    )
    for rule in ("ram-claims-in-own-areas", "ram-claims-apart", "start-clears-own-ram"):
        assert not findings(said_by(rule, layout_for(family), builds))
    ram = Span(0x2000_0000, 0x4400)
    assert all(
        ram.covers(each.run_span)
        for build in builds.values()
        for each in build.segments
        if not each.data and each.memory_size
    )
    said = [each.what for build in builds.values() for each in build.remarks if "size in memory" in each.what]
    assert len(said) == (2 if after.startswith("arm") else 0)


@pytest.mark.parametrize("after", AFTER)
@pytest.mark.parametrize(("family", "level"), FAMILIES)
def test_what_takes_memory_of_others_is_found_all_the_same(family: str, level: str, after: str) -> None:
    """Cleared data of the primary in the secondary's RAM, by its section."""
    into = ("ORIGIN = 0x20004000", "ORIGIN = 0x20002800")
    builds = pair(
        station=_elf("station", family, level, after, MORE, USED, MOVED, PLACED, into),
        sampler=_elf("sampler", family, level, after, MOVED, PLACED),
    )
    (finding,) = findings(said_by("ram-claims-in-own-areas", layout_for(family), builds))
    assert "0x2000_2800..0x2000_283F" in finding.found


DIVIDING = (
    "/*BEFORE*/",
    "__attribute__((used, noinline)) uint32_t shared_by(uint32_t a, uint32_t b) { uint32_t r;"
    ' __asm volatile(".inst.w 0xfbb1f0f2\\n\\t.inst.w 0xf3c000c3" : "=r"(r) : "r"(a), "r"(b)); return r; }',
)
"""UDIV and UBFX, which Armv6-M lacks."""

DIVIDED = ("/*MAIN*/", f"{RELEASE} level = shared_by(level, turns);")
ROUNDED = ("/*MAIN*/", f"{RELEASE} level = turns / level + turns % 10u; mark = level << turns;")
WITHOUT_MAPPING = (
    "arm-none-eabi-strip",
    "arm-none-eabi-strip -x",
    "arm-none-eabi-strip -K reset",
    "arm-none-eabi-objcopy -w -N $*",
    "llvm-strip --strip-sections",
    "llvm-strip --keep-symbol=main",
    "llvm-objcopy --discard-all",
)


@pytest.mark.parametrize("after", WITHOUT_MAPPING)
@pytest.mark.parametrize("compiler", ["gcc", "clang"])
def test_instructions_without_mapping_symbols(compiler: str, after: str) -> None:
    """Code is followed from its vectors, as that of an image alone, whatever other symbols are left."""
    read, rule = layout_for("v6"), "swept-instructions-fit-core"
    sampler = compiled("sampler", compiler, "v6", "-O2", (ROUNDED,), after)
    station = compiled("station", compiler, "v6", "-O2", (DIVIDING, DIVIDED), after)
    found = findings(said_by(rule, read, pair(station=station, sampler=sampler)))
    assert [each.parties for each in found] == [("station",), ("station",)]
    whole = compiled("station", compiler, "v6", "-O2", (DIVIDING, DIVIDED))
    assert not findings(said_by(rule, read, pair(station=whole, sampler=sampler)))
