"""Where stamps at symbols go, and why the place of a symbol cannot be told."""

from __future__ import annotations

import pytest
from elf_writer import SegmentSpec, SymbolSpec
from small_device import SAMPLER, STATION, STATION_RAM, build, builds, layout, station_elf
from vector_fixtures import RUN, copied_layout, copied_sampler, hex_build

from gemel.builds.build import Build
from gemel.errors import Problem
from gemel.layout.reader import ReadLayout
from gemel.placement.places import SymbolNotPlaced, SymbolPlaces
from gemel.placement.placing import place_all
from gemel.spans import Span

CONSTANTS = STATION + 0x80 + 128


def _places(handed: dict[str, Build] | None = None, read: ReadLayout | None = None) -> SymbolPlaces:
    return SymbolPlaces(place_all((read or layout()).layout, handed or builds()))


def _station(*symbols: SymbolSpec, extra: tuple[SegmentSpec, ...] = ()) -> SymbolPlaces:
    return _places(builds(station_elf(symbols=symbols, extra=extra)))


def _not_placed(places: SymbolPlaces, build_name: str, symbol: str) -> Problem:
    with pytest.raises(SymbolNotPlaced) as caught:
        places(build_name, symbol)
    (problem,) = caught.value.problems
    return problem


def test_a_constant_in_code() -> None:
    """A constant lies where its bytes are stored."""
    assert _places().span_of("station", "image_length") == Span(CONSTANTS, 4)
    assert _places()("station", "sampler_start_address") == CONSTANTS + 4


def test_a_function_without_its_thumb_bit() -> None:
    """The lowest bit of a function's address says Thumb and is no part of its place."""
    assert _places()("station", "reset_handler") == STATION + 0x80
    assert _places()("sampler", "reset_handler") == SAMPLER + 0x80


def test_initialised_data_with_a_load_address() -> None:
    """A variable that runs in RAM lies in flash where its initial value is stored."""
    data = SegmentSpec(STATION + 0x400, b"\1\2\3\4\5\6\7\x08", run_address=STATION_RAM + 0x600, flags="rw")
    places = _station(SymbolSpec("level", STATION_RAM + 0x604, 4, "object"), extra=(data,))
    assert places.span_of("station", "level") == Span(STATION + 0x404, 4)


def test_a_symbol_of_a_copied_build() -> None:
    """A symbol of a build that runs in RAM lies in the flash that the build is stored in."""
    handed = {**builds(), "sampler": build("sampler", copied_sampler())}
    assert _places(handed, copied_layout())("sampler", "reset_handler") == SAMPLER + 0x80
    linked_for_ram = {**builds(), "sampler": build("sampler", copied_sampler(run=RUN))}
    assert _places(linked_for_ram, copied_layout())("sampler", "other_handler") == SAMPLER + 0x88


def test_one_name_twice_at_one_address() -> None:
    """Two entries for one address are one symbol, with the size that the larger one tells."""
    places = _station(SymbolSpec("image_length", CONSTANTS, 0, "notype", "local"))
    assert places.span_of("station", "image_length") == Span(CONSTANTS, 4)


def test_one_name_for_two_places() -> None:
    """Two static variables of one name cannot be told apart, and that is said."""
    places = _station(SymbolSpec("image_length", CONSTANTS + 4, 4, "object", "local"))
    problem = _not_placed(places, "station", "image_length")
    assert (problem.found, problem.expected) == ("2 symbols of this name", "one symbol")
    assert problem.where == "build station (station.elf)"


@pytest.mark.parametrize(
    ("name", "hint"),
    [("image_lenght", 'did you mean "image_length"?'), ("zzz", "what nothing uses is dropped at link")],
)
def test_no_such_symbol(name: str, hint: str) -> None:
    """A name that is not there is told with the nearest one, or with why it may have been dropped."""
    problem = _not_placed(_places(), "station", name)
    assert problem.found == "no such symbol"
    assert problem.next_step.startswith(hint)


def test_undefined_symbols_do_not_count() -> None:
    """A symbol that the build only refers to has no place in it."""
    places = _station(SymbolSpec("elsewhere", 0, 0, "notype", section=0))
    assert _not_placed(places, "station", "elsewhere").found == "no such symbol"


def test_cleared_memory_holds_no_value() -> None:
    """A variable in cleared memory, or behind the stored bytes of its segment, has no bytes in the image."""
    problem = _not_placed(_places(), "station", "link_frames")
    assert problem.what == "symbol link_frames of build station has no bytes in the image"
    assert (problem.found, problem.expected) == ("0x2000_3000", "an address in stored bytes")
    partly = SegmentSpec(
        STATION + 0x400, b"\1" * 8, run_address=STATION_RAM + 0x600, memory_size=64, flags="rw"
    )
    places = _station(SymbolSpec("cleared", STATION_RAM + 0x608, 4, "object"), extra=(partly,))
    assert _not_placed(places, "station", "cleared").found == "0x2000_0608"


def test_builds_without_symbols() -> None:
    """A build that is not at hand, or that has no symbol table, is told with what to give."""
    problem = _not_placed(_places({"sampler": builds()["sampler"]}), "station", "image_length")
    assert (problem.where, problem.next_step) == (
        "build station",
        "give its whole ELF file: station=FILE.elf",
    )
    flat = {**builds(), "station": hex_build("station", station_elf())}
    problem = _not_placed(_places(flat), "station", "image_length")
    assert (problem.where, problem.found) == ("build station (station.hex)", "an Intel HEX file has none")
