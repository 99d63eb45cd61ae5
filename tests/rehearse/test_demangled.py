"""Names of functions as sources spell them; the raw name where nothing tells."""

from __future__ import annotations

import gc
import subprocess

import pytest
from tools import required_tool

from gemel.text import demangled as module
from gemel.text.demangled import demangled

NAMES = (
    "_ZN5Gauge4readEv",
    "_ZN4tide5GaugeC2Ei",
    "_ZN4tide5GaugeD1Ev",
    "_ZNK4tide5Gauge4nameEPKc",
    "_ZdlPvj",
    "_ZThn8_N1A1fEv",
)


@pytest.mark.parametrize("name", NAMES)
def test_names_are_those_of_binutils(name: str) -> None:
    """The same text as c++filt of binutils gives."""
    pytest.importorskip("itanium_demangler", reason="the extra rehearse is not installed whole")
    told = subprocess.run(
        [required_tool("arm-none-eabi-c++filt"), name], capture_output=True, text=True, check=True
    )
    said = (
        demangled(name)
        .replace("non-virtual thunk for", "non-virtual thunk to")
        .replace("char const", "const char")
    )
    assert said.replace("const char", "char const") == told.stdout.strip()


def test_rust_names_lose_their_hash() -> None:
    """The older scheme ends in a hash that no source holds."""
    pytest.importorskip("itanium_demangler", reason="the extra rehearse is not installed whole")
    assert demangled("_ZN4core3fmt9Formatter3pad17h0123456789abcdefE") == "core::fmt::Formatter::pad"


@pytest.mark.parametrize(
    "name", ["main", "_Z", "_ZN", "_ZN5", "_Z" + "N" * 999, "_ZN" + "1a" * 3000 + "E", "_Z\u202e"]
)
def test_other_names_stay(name: str) -> None:
    """C names, broken and overlong ones are given as they are."""
    assert demangled(name) == name


def test_without_the_library_names_stay(monkeypatch: pytest.MonkeyPatch) -> None:
    """The demangler is no condition of a rehearsal."""
    monkeypatch.setattr(module, "_demangler", lambda: None)
    demangled.cache_clear()
    assert demangled(NAMES[0]) == NAMES[0]
    demangled.cache_clear()


@pytest.mark.parametrize("limit", ["MOST_CALLS", "MOST_DEEP", "LONGEST"])
def test_each_limit_has_two_sides(limit: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A name is spelled out from some limit on, and by one less it is not; the limits are far above that."""
    name = NAMES[0]

    def spelled(most: int) -> bool:
        monkeypatch.setattr(module, limit, most)
        demangled.cache_clear()
        return demangled(name) != name

    assert getattr(module, limit) > 2 * (least := next(most for most in range(2000) if spelled(most)))
    assert not spelled(least - 1)
    demangled.cache_clear()


def test_a_callback_of_the_collector_does_not_end_the_count(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the count raises in such a callback would be lost, and the library then take as long as it likes."""

    def look(phase: str, info: dict[str, int]) -> None:
        """A call at each collection."""

    def answers() -> list[str]:
        found = []
        for most in range(40):
            monkeypatch.setattr(module, "MOST_DEEP", most)
            demangled.cache_clear()
            found.append(demangled(NAMES[0]))
        demangled.cache_clear()
        return found

    alone, before = answers(), gc.get_threshold()
    gc.callbacks.append(look)
    gc.set_threshold(1)
    try:
        assert answers() == alone
        assert gc.isenabled()
    finally:
        gc.set_threshold(*before)
        gc.callbacks.remove(look)
    assert len(set(alone)) == 2
