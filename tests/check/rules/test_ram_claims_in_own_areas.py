"""``ram-claims-in-own-areas``: RAM that a build takes from others, from nobody, or where there is none."""

from __future__ import annotations

import pytest
from elf_writer import SegmentSpec, SymbolSpec, elf
from gauge_rules import on_the_gauge
from ram_and_start import of as of_small
from small_device import (
    FLASH,
    LINK,
    RAM_OF_SAMPLER,
    SAMPLER,
    STATION,
    STATION_RAM,
    apply,
    builds,
    findings,
    joined,
    layout,
    sampler_elf,
    station_elf,
)
from small_device import build as build_of

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.spans import Span

RULE = "ram-claims-in-own-areas"
IMAGE = joined().image
HOLE = layout({'offset = "13 KiB", size = "3 KiB"': 'offset = "13 KiB", size = "2 KiB"'})
RESERVED = layout(
    {
        'ram = ["sampler-ram", "sampler-run"]': 'ram = ["sampler-ram"]',
        'size = "3 KiB", purpose = "code"': 'size = "3 KiB", purpose = "reserved"',
    }
)
COPIED = layout(
    {
        'ram = ["sampler-ram", "sampler-run"]': 'ram = ["sampler-ram"]',
        'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nruns_in = "sampler-run"',
    }
)
NO_RAM = layout({'ram = ["station-ram"]\n': ""})
CONTRACT = """[contract.link]
area = "link"
symbols = ["link_frames"]
boot_symbol = { build = "station", symbol = "sampler_start_address" }
"""
NO_SHARED = layout(
    {
        'ram = ["sampler-ram", "sampler-run"]\n': "",
        '"1 KiB", purpose = "shared"': '"1 KiB", purpose = "data"',
        CONTRACT: "",
    }
)
ALIAS = layout(
    {"views = { sampler = 0x3000_0000 }": "views = { sampler = 0x3000_0000 }\naliases = [0x2200_0000]"}
)
MORE_RAM = """[memory.more]
kind = "ram"
start = 0x2000_4000
size = "4 KiB"

[area]
station-more = { memory = "more", offset = 0, size = "4 KiB", purpose = "data" }
"""
TWO_RAMS = layout({"[area]\n": MORE_RAM, 'ram = ["station-ram"]': 'ram = ["station-ram", "station-more"]'})


def _bss(address, size):
    return SegmentSpec(address, b"", memory_size=size, flags="rw")


def _sections(memory_size, *sections, **options):
    """One cleared segment with sections (name, offset, size) in the RAM that the sampler sees."""
    placed = tuple((name, RAM_OF_SAMPLER + offset, size) for name, offset, size in sections)
    return SegmentSpec(placed[0][1], memory_size=memory_size, flags="rw", sections=placed, **options)


def _station(*segments, read=None, symbols=()):
    return apply(RULE, read, IMAGE, builds(station=station_elf(ram=None, extra=segments, symbols=symbols)))


def _sampler(*segments, read=None, **options):
    return apply(RULE, read, IMAGE, builds(sampler=sampler_elf(ram=None, extra=segments, **options)))


BREAKS = {
    "a heap in the other core's RAM": lambda: of_small(RULE, "station-heap-over-sampler"),
    "a heap in shared RAM": lambda: of_small(RULE, "station-heap-in-link"),
    "a stack in shared RAM": lambda: of_small(RULE, "sampler-stack-in-link"),
    "a heap in a segment of shared RAM": lambda: _station(
        SegmentSpec(LINK, b"", memory_size=0x200, flags="rw", section_name=".heap")
    ),
    "a stack in flash": lambda: _station(
        symbols=(
            SymbolSpec("_Min_Stack_Size", 0x400, kind="notype", section=0xFFF1),
            SymbolSpec("_estack", STATION + 0x2000, kind="notype"),
        )
    ),
    "a stack over the end of its RAM": lambda: _station(
        symbols=(
            SymbolSpec("__StackLimit", STATION_RAM + 0x1F00, kind="notype"),
            SymbolSpec("__StackTop", STATION_RAM + 0x2100, kind="notype"),
        )
    ),
    "a heap where there is no memory": lambda: _station(
        symbols=(
            SymbolSpec("__HeapBase", 0x7000_0000, kind="notype"),
            SymbolSpec("__HeapLimit", 0x7000_0100, kind="notype"),
        )
    ),
    "sampler in the station's RAM": lambda: _sampler(_bss(RAM_OF_SAMPLER + 0x100, 0x80)),
    "station in the sampler's RAM": lambda: _station(
        _bss(STATION_RAM + 0x1F00, 0x200),
        symbols=(
            SymbolSpec("samples", STATION_RAM + 0x1F80, 0x100, "object"),
            SymbolSpec("levels", STATION_RAM + 0x2080, 0x20, "object"),
            SymbolSpec("far", STATION_RAM, 0x400, "object"),
        ),
    ),
    "one byte over the end": lambda: _station(_bss(STATION_RAM, 0x2001)),
    "through an alias": lambda: _station(_bss(0x2200_2000, 16), read=ALIAS),
    "RAM of no area": lambda: _sampler(_bss(RAM_OF_SAMPLER + 0x3C00, 16), read=HOLE),
    "reserved RAM": lambda: _sampler(_bss(RAM_OF_SAMPLER + 0x3400, 16), read=RESERVED),
    "where the other core's build runs": lambda: apply(
        RULE,
        COPIED,
        IMAGE,
        builds(
            station=station_elf(ram=_bss(STATION_RAM + 0x3400, 16)),
            sampler=sampler_elf(run=RAM_OF_SAMPLER + 0x3400),
        ),
    ),
    "at the address that only the station sees": lambda: _sampler(_bss(STATION_RAM + 0x2000, 16)),
    "where no memory is": lambda: _station(_bss(0x6000_0000, 16)),
    "over the end of RAM": lambda: _sampler(_bss(RAM_OF_SAMPLER + 0x3F00, 0x200)),
    "cleared bytes in flash": lambda: _station(
        _bss(FLASH + 0x800, 64), symbols=(SymbolSpec("counts", FLASH + 0x800, 64, kind="object"),)
    ),
    "cleared bytes after code": lambda: _station(SegmentSpec(FLASH + 0x800, b"code", memory_size=0x40)),
    "run address where no memory is": lambda: _sampler(base=SAMPLER, run=0x6000_0000),
    "over into the shared area": lambda: _sampler(_bss(RAM_OF_SAMPLER + 0x2F00, 0x180)),
    "a heap over into the shared area": lambda: _sampler(
        SegmentSpec(RAM_OF_SAMPLER + 0x2F00, b"", memory_size=0x180, flags="rw", section_name=".heap")
    ),
    "a section over into the shared area, another after it": lambda: _sampler(
        _sections(0x300, (".bss", 0x2F00, 0x180), (".link", 0x3100, 0x100))
    ),
    "stored bytes that no section shows, over into the shared area": lambda: _sampler(
        SegmentSpec(
            SAMPLER + 0x400,
            b"\1" * 0x80,
            run_address=RAM_OF_SAMPLER + 0x2FC0,
            memory_size=0x240,
            flags="rw",
            sections=((".data", RAM_OF_SAMPLER + 0x2FC0, 8), (".link", RAM_OF_SAMPLER + 0x3100, 0x100)),
        )
    ),
    "over into the shared area, section headers gone": lambda: apply(
        RULE,
        image=IMAGE,
        handed=builds(
            sampler=elf(
                [
                    SegmentSpec(SAMPLER, b"\1" * 64),
                    _sections(0x1100, (".bss", 0x2000, 64), (".link", 0x3000, 256)),
                ],
                sections=False,
            )
        ),
    ),
    "initialised data in the other core's RAM": lambda: _station(
        SegmentSpec(FLASH + 0x400, b"data", run_address=STATION_RAM + 0x2000, flags="rw")
    ),
    "a core without RAM in another's": lambda: _station(_bss(STATION_RAM + 0x2000, 16), read=NO_RAM),
    "a core without RAM and nothing shared": lambda: _sampler(
        _bss(RAM_OF_SAMPLER + 0x100, 16), read=NO_SHARED
    ),
    "more segments than are listed": lambda: _sampler(
        *(_bss(RAM_OF_SAMPLER + 0x100 + 0x20 * n, 16) for n in range(12))
    ),
}

KEEPS = {
    "room in flash without objects, which the device writes": lambda: _station(_bss(FLASH + 0x800, 64)),
    "settings in flash that the device writes": lambda: _station(
        SegmentSpec(FLASH + 0x800, b"", memory_size=64, flags="rw", section_name=".settings"),
        symbols=(SymbolSpec("settings", FLASH + 0x800, 64, kind="object"),),
    ),
    "heap and stack of its own, told by symbols": lambda: of_small(RULE, "station"),
    "registers of the core, and texts for a debugger, as sections": lambda: _station(
        _bss(0xE000_E000, 0x1000), _bss(0xF000_0000, 17)
    ),
    "both builds": lambda: apply(RULE),
    "all of its RAM": lambda: _station(_bss(STATION_RAM, 0x2000)),
    "shared RAM": lambda: _sampler(_bss(RAM_OF_SAMPLER + 0x3000, 0x400)),
    "one segment of own and shared sections": lambda: of_small(RULE, "sampler-stack-in-segment"),
    "a section that fills its RAM, and a shared one right after": lambda: _sampler(
        _sections(0x1400, (".bss", 0x2000, 0x1000), (".link", 0x3000, 0x400))
    ),
    "a shared section, and one of its own right after": lambda: _sampler(
        _sections(0x840, (".link", 0x3000, 0x3F8), (".bss", 0x3400, 0x440))
    ),
    "initialised data": lambda: _station(
        SegmentSpec(FLASH + 0x400, b"data", run_address=STATION_RAM, memory_size=0x800, flags="rw")
    ),
    "a copied build": lambda: _sampler(
        _bss(RAM_OF_SAMPLER + 0x2000, 16), read=COPIED, base=SAMPLER, run=RAM_OF_SAMPLER + 0x3400
    ),
    "no RAM at all": lambda: _station(),
    "device registers": lambda: _station(_bss(0x5000_0000, 0x100)),
    "through an alias": lambda: _station(_bss(0x2200_0000, 0x2000), read=ALIAS),
    "from one memory into the next": lambda: _station(
        _bss(STATION_RAM, 0x2000), _bss(0x2000_4000, 64), read=TWO_RAMS
    ),
    "bytes stored where no memory is, which is another rule's": lambda: _station(
        SegmentSpec(0x6000_0000, b"lost")
    ),
    **on_the_gauge(RULE),
}


@pytest.mark.parametrize("case", sorted(BREAKS))
def test_one_fault_one_finding(case: str) -> None:
    """Each case is one fault and has one finding, however many segments it is about."""
    assert len(findings(BREAKS[case]())) == 1


def test_the_part_that_is_astray_is_told() -> None:
    """The span is that of the foreign bytes alone, with the largest objects in it and who else takes it."""
    (finding,) = findings(BREAKS["station in the sampler's RAM"]())
    assert finding.span == Span(STATION_RAM + 0x2000, 0x100)
    assert finding.parties == ("station", "sampler-ram", "ram", "sampler")
    section, line, other = finding.lines
    assert section == "sections of build station there: .load1"
    assert other.startswith("build sampler, segment 1, as core sampler sees it 0x3000_2000..0x3000_20FF")
    assert line.index("samples at 0x2000_1F80, 256 bytes") < line.index("levels at 0x2000_2080, 32 bytes")
    assert "far" not in line


def test_a_view_is_told_beside_the_plain_address() -> None:
    """What the sampler takes is told as the memory's plain address and as the sampler sees it."""
    (finding,) = findings(BREAKS["sampler in the station's RAM"]())
    assert finding.span == Span(STATION_RAM + 0x100, 0x80)
    assert "core sampler sees at 0x3000_0100" in finding.found


def test_the_view_is_suggested() -> None:
    """A build linked for addresses that others see is told where its own core sees that memory."""
    (finding,) = findings(BREAKS["at the address that only the station sees"]())
    assert finding.lines[0] == "others see memory ram there; core sampler sees it at 0x3000_0000"


def test_a_core_without_ram_in_the_layout_is_not_checked() -> None:
    """RAM of no other area cannot be judged while the layout does not say what the core owns."""
    hole = layout(
        {
            'ram = ["sampler-ram", "sampler-run"]\n': "",
            'size = "3 KiB", purpose = "code"': 'size = 16, purpose = "code"',
        }
    )
    result = _sampler(_bss(RAM_OF_SAMPLER + 0x3800, 16), read=hole)
    assert [each.where for each in result.not_checked] == ["build sampler"]
    assert "ram in [core.sampler]" in result.not_checked[0].reason


def test_files_that_do_not_tell_are_not_checked() -> None:
    """A raw binary tells no RAM, and a build that is not at hand tells nothing."""
    raw = read_build(
        BytesSource(b"\1" * 64, "station.bin"), name="station", file="station.bin", raw_start=STATION
    )
    result = apply(RULE, image=IMAGE, handed={"station": raw})
    assert result.status == "not checked"
    reasons = {each.where: each.reason for each in result.not_checked}
    assert reasons == {
        "build station": "a raw binary does not show what memory the program uses; needs its ELF file",
        "build sampler": "needs the ELF file: sampler=FILE",
    }


def test_what_a_file_without_sections_needs_is_told() -> None:
    """That only section headers tell of a gap in a segment is said where they are not in the file."""
    (finding,) = findings(BREAKS["over into the shared area, section headers gone"]())
    assert "section headers" in finding.next_step
    (finding,) = findings(BREAKS["over into the shared area"]())
    assert "a section of its own" in finding.next_step


def test_a_stripped_build_is_checked_without_names() -> None:
    """Without symbols the finding is the same, less the objects' names."""
    stripped = build_of("station", elf([SegmentSpec(STATION, b"\1" * 64), _bss(LINK - 0x1000, 64)]))
    (finding,) = findings(apply(RULE, image=IMAGE, handed={"station": stripped}))
    assert finding.lines == ("sections of build station there: .load1",)


def test_a_heap_that_ends_in_shared_memory_is_one_finding() -> None:
    """What is wrong is where the heap ends, not that a section of what is shared is missing."""
    (finding,) = findings(BREAKS["a heap over into the shared area"]())
    assert finding.what == "build sampler has its heap in RAM that the cores share"
