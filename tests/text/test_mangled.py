"""C++ names of objects in namespaces, as a compiler's symbols have them."""

from __future__ import annotations

import pytest
from elf_writer import SymbolSpec
from small_device import STATION, build, station_elf

from gemel.text import mangled as module
from gemel.text.demangled import demangled
from gemel.text.mangled import mangled, only_in_namespace


@pytest.mark.parametrize("name", ["tide::link", "::tide::detail::turn", "a::b"])
def test_the_demangler_spells_it_back(name: str) -> None:
    """What an independent reader of the Itanium C++ ABI makes of the symbol's name is the name in the source."""
    assert demangled(mangled(name)[0]) == name.removeprefix("::")


@pytest.mark.parametrize("name", ["link", "::link", "tide::ring<4>", "tide::", "tide::höhe", ""])
def test_other_names_stay_as_they_are(name: str) -> None:
    """Plain names, templates and what is no identifier have no such symbol."""
    assert mangled(name) == ()


@pytest.mark.parametrize(
    ("strings", "found"),
    [
        (b"\0_ZN4tide4linkE\0other\0", ("_ZN4tide4linkE",)),
        (b"\0_ZN4tideL4linkE\0", ("_ZN4tideL4linkE",)),
        (b"\0_ZN4tide6detail4linkE\0_ZN4tide4linkEv\0", ("_ZN4tide6detail4linkE",)),
        (b"\0_ZN4tide4linkE\0_ZN4past4linkE\0", ()),
        (b"\0_ZN4tides4linkE\0_ZN4linkE\0", ()),
        (b"\0_ZN4tide8backlinkE\0", ()),
    ],
)
def test_a_plain_name_in_one_namespace(strings: bytes, found: tuple[str, ...]) -> None:
    """Only an object whose scope is spelled whole counts, and only where there is no other."""
    assert only_in_namespace("link", strings) == found


def test_long_names_are_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Names with more than LONGEST characters before the last part are not looked at."""
    strings = b"\0_ZN4tide4linkE\0"
    monkeypatch.setattr(module, "MAX_PREFIX", 9)
    assert only_in_namespace("link", strings)
    monkeypatch.setattr(module, "MAX_PREFIX", 8)
    assert not only_in_namespace("link", strings)


def test_a_symbol_table_knows_both_names() -> None:
    """An object is found by its name in the source, by its plain one, and by what the symbol is called."""
    symbols = build(
        "station", station_elf(symbols=(SymbolSpec("_ZN4tide4linkE", STATION + 0x100, 8),))
    ).symbols
    assert symbols is not None
    found = {
        name: symbols.find(name) for name in ("tide::link", "link", "_ZN4tide4linkE", "past::link", "tide")
    }
    assert [name for name, symbol in found.items() if symbol] == ["tide::link", "link", "_ZN4tide4linkE"]
