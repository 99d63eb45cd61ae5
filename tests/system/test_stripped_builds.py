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
