"""``stack-has-room``: stacks that start in data, grow into it, or are upside down."""

from __future__ import annotations

import pytest
from elf_writer import SegmentSpec, SymbolSpec
from gauge_builds import gauge_builds
from gauge_rules import on_the_gauge
from ram_and_start import of as of_small
from small_device import (
    LINK,
    RAM_OF_SAMPLER,
    SAMPLER_RAM,
    STATION_RAM,
    apply,
    builds,
    findings,
    joined,
    sampler_elf,
    station_elf,
)
from small_device import build as build_of
from vector_fixtures import copied_layout, copied_sampler

from gemel.checking.rules.stack_has_room import Obstacle, StackRoom, room_below
from gemel.spans import Span

RULE = "stack-has-room"
TOP = STATION_RAM + 0x2000


def _bss(address, size):
    return SegmentSpec(address, b"", memory_size=size, flags="rw")


def _station(*segments, symbols=(), stack=TOP, handed=None, read=None):
    elf = station_elf(words={0: stack}, ram=None, extra=segments, symbols=symbols)
    return apply(RULE, read, None, builds(station=elf) if handed is None else handed(elf))


def _one_segment(size, *sections):
    """Cleared data from the start of RAM on and what is shared, in one segment; sections may tell more."""
    data = (".bss", STATION_RAM, size), *sections, (".link", LINK, 0x40)
    return SegmentSpec(STATION_RAM, memory_size=0x3040, flags="rw", sections=data)


def _size(value):
    return (
        SymbolSpec("_Min_Stack_Size", value, kind="notype", section=0xFFF1),
        SymbolSpec("_estack", TOP, kind="notype"),
    )


def _object(name, address, size):
    return SymbolSpec(name, address, size, "object")


def _seen_from_one_side():
    """The station's ELF is not at hand, the sampler's takes what lies right below the station's stack."""
    elf = station_elf(words={0: TOP})
    wide = sampler_elf(ram=_bss(RAM_OF_SAMPLER + 0x1FFC, 0x40))
    image = joined(handed=builds(station=elf)).image
    return apply(RULE, None, image, {"sampler": build_of("sampler", wide)})


def _above_the_copy():
    """The copied sampler's own stack ends a word above its code in RAM."""
    elf = copied_sampler(words={0: RAM_OF_SAMPLER + 0x3400 + 0x128 + 4})
    return apply(RULE, copied_layout(), None, builds(sampler=elf))


BREAKS = {
    "data of the build's own has grown into its stack": lambda: of_small(RULE, "sampler-stack-short"),
    "the stack starts inside data": lambda: of_small(RULE, "sampler-stack-in-data"),
    "the stack starts at its lower end": lambda: of_small(RULE, "station-stack-upside-down"),
    "right after data, where nothing states a stack": lambda: _station(
        _bss(STATION_RAM, 0x2000), symbols=(_object("levels", TOP - 0x200, 0x200),)
    ),
    "less than one exception frame": lambda: _station(_bss(STATION_RAM, 0x1FF0)),
    "data from below it past the end of its RAM": lambda: _station(_bss(STATION_RAM + 0x1FF0, 0x40)),
    "a size that the whole of its RAM does not have": lambda: _station(symbols=_size(0x4000)),
    "the other build's data below it": lambda: apply(
        RULE,
        None,
        joined().image,
        builds(sampler=sampler_elf(ram=_bss(RAM_OF_SAMPLER + 0x1FF0, 0x40))),
    ),
    "seen from the other build alone": _seen_from_one_side,
    "its own code in RAM": _above_the_copy,
    "data in the segment of the stack's gap, right below it": lambda: _station(
        _one_segment(0x1FF0), symbols=(_object("levels", STATION_RAM, 0x1FF0),)
    ),
    "data in the gap of a segment, above the place that is free": lambda: _station(
        _one_segment(0x100, (".noinit", TOP - 0x40, 0x30)), symbols=_size(0x200)
    ),
    "another stack is stated than the one it starts in": lambda: _station(
        _bss(STATION_RAM, 0x1000),
        stack=STATION_RAM + 0x1000,
        symbols=(
            SymbolSpec("__StackLimit", STATION_RAM + 0x1800, kind="notype"),
            SymbolSpec("__StackTop", STATION_RAM + 0x1C00, kind="notype"),
            _object("depths", STATION_RAM + 0xF80, 0x80),
        ),
    ),
}
KEEPS = {
    "the small device": lambda: apply(RULE),
    "sound, in place": lambda: of_small(RULE, "station"),
    "sound, copied": lambda: of_small(RULE, "copying-station"),
    "a stack that fits to the byte": lambda: _station(
        _bss(STATION_RAM, 0x1E00), symbols=(*_size(0x200), _object("levels", STATION_RAM, 0x1E00))
    ),
    "in the gap of a segment that ends in what is shared": lambda: of_small(RULE, "sampler-stack-in-segment"),
    "a gap that fits to the byte": lambda: _station(
        _one_segment(0x1E00), symbols=(*_size(0x200), _object("levels", STATION_RAM, 0x1E00))
    ),
    "the stack is an array among the cleared data": lambda: _station(
        _bss(STATION_RAM, 0x2000),
        symbols=(_object("levels", STATION_RAM, 0x1E00), _object("main_stack", TOP - 0x200, 0x200)),
    ),
    "the stack has a section of its own": lambda: _station(
        _bss(STATION_RAM, 0x100),
        SegmentSpec(TOP - 0x400, b"", memory_size=0x400, flags="rw", section_name=".stack"),
    ),
    "one section for heap and stack, sized by symbols": lambda: _station(
        _bss(STATION_RAM, 0x1C00),
        SegmentSpec(TOP - 0x400, b"", memory_size=0x400, flags="rw", section_name="._user_heap_stack"),
        symbols=_size(0x200),
    ),
    **on_the_gauge(RULE),
}


def test_the_room_is_told() -> None:
    """Where the rule holds it says how much room there is and how much was asked for (2 KiB in the gauge)."""
    results = KEEPS["the tide gauge, in-place"]()
    told = {held.where for held in results.holds}
    assert "build station: 32,632 bytes below 0x3800_8000, 2 KiB (2,048 bytes) stated" in told
    bss_end = next(iter(gauge_builds()["station"].symbols.named("bss_end"))).value
    assert 0x3800_8000 - bss_end == 32_632


@pytest.mark.parametrize(("size", "follows"), [(0x40, True), (8, False)])
def test_data_to_the_end_of_the_ram_follow_from_running_past_it(size: int, follows: bool) -> None:
    """Data that end below the stack's top are too much; those that reach it may run past the core's RAM."""
    (finding,) = findings(_station(_bss(STATION_RAM + 0x1FF0, size)))
    assert (finding.follows_from == (("ram-claims-in-own-areas", "station"),)) == follows


@pytest.mark.parametrize(("handed", "reason"), [({}, "needs the ELF file: station=FILE")])
def test_without_builds_nothing_is_claimed_to_hold(handed, reason) -> None:
    """The image alone does not tell what lies in RAM, and the rule says what it takes."""
    result = apply(RULE, None, joined().image, handed)
    assert result.status == "not checked"
    assert reason in {each.reason for each in result.not_checked}


def test_a_stack_outside_the_cores_ram_is_left_to_its_own_rule() -> None:
    """A pointer into the shared area is told by stack-pointer-in-own-ram."""
    result = _station(stack=LINK + 0x100)
    reason = "its stack pointer is in no RAM of its core: see stack-pointer-in-own-ram"
    assert reason in {each.reason for each in result.not_checked}


def test_a_stripped_build_may_have_its_stack_in_data() -> None:
    """Without symbols an array that serves as the stack cannot be told from other data."""
    from elf_writer import elf
    from small_device import CODE, STATION, vector_words

    table = vector_words(TOP, STATION + 0x81)
    stripped = elf([SegmentSpec(STATION, table + CODE), _bss(STATION_RAM, 0x2000)])
    image = joined().image
    image.write(STATION, table)
    result = apply(RULE, None, image, builds(station=stripped))
    assert not findings(result)
    reasons = [each.reason for each in result.not_checked]
    assert any("stripped" in reason for reason in reasons), reasons


def test_room_is_what_a_count_of_bytes_gives() -> None:
    """The room below a pointer equals the run of free bytes, counted one by one."""
    area = Span(SAMPLER_RAM, 0x100)
    for pointer in range(area.start + 8, area.end + 1, 8):
        for start, size in ((0, 16), (8, 40), (0x70, 0x40), (0xF0, 8), (0x40, 0)):
            obstacles = [Obstacle(Span(area.start + start, size), "data", "x")]
            taken = set(range(area.start + start, area.start + start + size))
            free = 0
            while pointer - free - 1 >= area.start and pointer - free - 1 not in taken:
                free += 1
            room, nearest = room_below(StackRoom(pointer, area), obstacles)
            assert room == free
            assert nearest == (obstacles[0] if pointer - free > area.start else None)
