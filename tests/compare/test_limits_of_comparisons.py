"""Limits of what is compared and listed, each at both its sides."""

from __future__ import annotations

import struct

import pytest
from both_sides import Limits, assert_both_sides
from elf_writer import SegmentSpec, elf
from shown_images import comparison
from small_device import STATION, build

from gemel.comparing.as_text import moved_words, text_of
from gemel.comparing.changed_builds import same_but_for_addresses
from gemel.comparing.changes import BlockChange, Moved, SymbolChange
from gemel.comparing.side import PlaceNames, SymbolSide
from gemel.spans import Span
from gemel.structs import replace


def _listed(count: int) -> bool:
    """Whether all of ``count`` symbols that changed are listed."""
    station, *others = comparison().builds
    symbols = tuple(SymbolChange(f"s{number}", "object", "added", 0, 4) for number in range(count))
    changed = replace(comparison(), builds=(replace(station, symbols=symbols), *others))
    text = "\n".join(text_of(changed, 80))
    assert "s0" in text
    return "more: --all lists them" not in text


def _spans(count: int) -> bool:
    """Whether all stretches of blocks that differ are named, and all distances that symbols moved by."""
    spans = tuple(Span(0x1000 * number, 0x400) for number in range(count))
    memory = BlockChange("flash", Span(STATION, 0x4000), 0x400, True, count, 16, spans, 4)
    text = "\n".join(text_of(replace(comparison(), memories=(memory,)), 200))
    moved = tuple(Moved(distance, 1) for distance in range(1, count + 1))
    words = moved_words(replace(comparison().builds[0], moved=moved))
    found = {" and 1 more" in text, "other distances" in words}
    assert len(found) == 1, (text, words)
    return not found.pop()


def _names(number: int) -> frozenset[str]:
    """The old and the new address of each of some variables have one name."""
    return frozenset({f"v{number & 0xFFF}"} if number >> 12 else ())


def _different(count: int) -> bool:
    """Whether ``count`` pointers are seen to be what they were."""
    old, new = (struct.pack(f"<{count}I", *(base + n for n in range(count))) for base in (0x1000, 0x2000))
    return same_but_for_addresses(SymbolSide(old, 0x1000, _names), SymbolSide(new, 0x1000, _names))


def _bases(count: int) -> bool:
    """Whether a distance from the last of ``count`` addresses that a function loads is explained."""
    literals = (2 * count + 5) & ~3
    loads = [0x4B00 | (literals + 4 * n - (2 * n + 4 & ~3)) // 4 for n in range(count)]  # LDR R3, [PC, #]
    words = struct.pack(f"<{count}I", *(0x9000_0000 + 0x100 * n for n in range(count - 1)), 0x2000_0000)

    def side(distance: int) -> SymbolSide:
        code = struct.pack(f"<{count + 1}H", *loads, 0x6818 | distance << 4)  # LDR R0, [R3, #distance]
        level = 0x2000_0000 + distance
        return SymbolSide(
            code.ljust(literals, b"\0") + words,
            0x1000,
            lambda at: frozenset({"level"} if at == level else ()),
        )

    return same_but_for_addresses(side(4), side(8))


def _text(size: int) -> bool:
    """Whether a text of ``size`` bytes, its end among them, is the name of its place."""
    text = b"x" * (size - 1) + b"\0"
    found = PlaceNames(build("station", elf([SegmentSpec(STATION, text)]))).at(STATION)
    return f"bytes {text!r}" in found


LIMITS: Limits = {
    "comparing.as_text.MAX_LISTED": (3, _listed),
    "comparing.as_text.MAX_SPANS": (3, _spans),
    "comparing.changed_builds.MAX_DIFFERENT": (4, _different),
    "comparing.section_anchors.MAX_BASES": (3, _bases),
    "comparing.side.MAX_TEXT": (30, _text),
}


@pytest.mark.parametrize("name", LIMITS)
def test_both_sides(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a limit allows is compared and listed, and one more is not."""
    assert_both_sides(monkeypatch, LIMITS, name)
