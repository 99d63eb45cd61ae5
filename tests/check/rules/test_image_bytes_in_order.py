"""Tests of the rule ``image-bytes-in-order``."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from small_device import TODAY, findings
from verdict_builds import broken_in, builds_of, layout_of, of

from gemel.checking.runner import check
from gemel.image.sparse import SparseBytes
from gemel.inspection.byte_order import swapped
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.spans import Span

RULE = "image-bytes-in-order"
ALIAS = (('size = "64 KiB"\n', 'size = "64 KiB"\naliases = [0x0000_0000]\n'),)


def _swapped(unit: int, start: int = 0) -> Callable[[SparseBytes], SparseBytes]:
    """An edit that swaps the bytes of every unit from ``start`` (an address) on."""

    def edit(image: SparseBytes) -> SparseBytes:
        made = SparseBytes()
        for address, piece in image.pieces():
            data = bytes(piece)
            data += b"\xff" * (-len(data) % 8)
            kept = min(max(0, start - address), len(data))
            made.write(address, data[:kept] + swapped(data[kept:], unit))
        return made

    return edit


def _shifted(distance: int, start: int = 0) -> Callable[[SparseBytes], SparseBytes]:
    """An edit that moves all bytes from ``start`` on."""

    def edit(image: SparseBytes) -> SparseBytes:
        made = SparseBytes()
        pieces = [(address, bytes(piece)) for address, piece in image.pieces()]
        for address, data in pieces:
            kept = min(max(0, start - address), len(data))
            if data[kept:]:
                made.write(address + kept + distance, data[kept:])
        for address, data in pieces:
            kept = min(max(0, start - address), len(data))
            if kept:
                made.write(address, data[:kept])
        return made

    return edit


def _lost(start: int, size: int) -> Callable[[SparseBytes], SparseBytes]:
    """An edit that takes ``size`` bytes out at ``start`` and moves what follows down, gaps written as erased."""

    def edit(image: SparseBytes) -> SparseBytes:
        bounds = image.bounds() or Span(0, 1)
        data = image.read(bounds, 0xFF)
        made = SparseBytes()
        made.write(bounds.start, data[: start - bounds.start] + data[start + size - bounds.start :])
        return made

    return edit


STATION, SAMPLER = 0x1000_0000, 0x1000_8000
BREAKS = {
    "halfwords swapped": lambda: of(RULE, "v6", edit=_swapped(2)),
    "words swapped": lambda: of(RULE, "v7", edit=_swapped(4)),
    "words swapped from the middle on": lambda: of(RULE, "v8", edit=_swapped(4, 0x1000_0080)),
    "moved up by 4 KiB": lambda: of(RULE, "v6", edit=_shifted(0x1000)),
    "a byte too many in the middle": lambda: of(RULE, "v7", edit=_shifted(1, 0x1000_0080)),
    "at an alias": lambda: of(RULE, "v8", changes=ALIAS, edit=_shifted(-0x1000_0000)),
    "moved, without builds": lambda: of(RULE, "v6", edit=_shifted(0x200), given=()),
    "the vector table lost": lambda: of(RULE, "v7", edit=_lost(SAMPLER, 128)),
    "512 bytes before the vectors": lambda: of(RULE, "v8", edit=_shifted(512, SAMPLER)),
    "moved by a word, without builds": lambda: of(RULE, "v7", edit=_shifted(4), given=()),
    "a word lost at the start, without builds": lambda: of(RULE, "v8", edit=_lost(STATION, 4), given=()),
    "two bytes before one build, without it": lambda: of(
        RULE, "v6", edit=_shifted(2, SAMPLER), given=("station",)
    ),
    "words swapped, without builds": lambda: of(RULE, "v8", edit=_swapped(4), given=()),
    "halfwords of one build swapped, without it": lambda: of(
        RULE, "v7", edit=_swapped(2, SAMPLER), given=("station",)
    ),
}
KEEPS = {
    "as joined": lambda: of(RULE, "v6"),
    "without builds": lambda: of(RULE, "v7", given=()),
    "a copy of the sampler inside the station": lambda: of(
        RULE, "v8", "station-embeds-zeros", "sampler-gaps"
    ),
    "one byte changed": lambda: of(RULE, "v8", edit=_one_byte),
    "an older build": lambda: of(RULE, "v7", "sampler-tables", edit=_of_another("v7", "sampler-vtor")),
    "without one build's bytes": lambda: of(RULE, "v7", edit=_cut(SAMPLER), given=("station",)),
}


def _of_another(family: str, file: str) -> Callable[[SparseBytes], SparseBytes]:
    """An edit that gives the image of another build of the sampler, of which much is the same and moved."""
    return lambda _: join(layout_of(family), builds_of(family, file)).image


def _cut(end: int) -> Callable[[SparseBytes], SparseBytes]:
    """An edit that leaves out all bytes from ``end`` on."""

    def edit(image: SparseBytes) -> SparseBytes:
        made = SparseBytes()
        for address, piece in image.pieces(Span(0, end)):
            made.write(address, bytes(piece))
        return made

    return edit


def _one_byte(image: SparseBytes) -> SparseBytes:
    image.write(0x1000_0090, b"\x5a")
    return image


@pytest.mark.parametrize("edit", [_swapped(2), _swapped(4), _shifted(0x1000), _shifted(1, 0x1000_0080)])
@pytest.mark.parametrize("family", ["v6", "v7", "v8"])
def test_the_cause_is_the_only_finding(family: str, edit: Callable[[SparseBytes], SparseBytes]) -> None:
    """Everything else that rules find follows from it, and is reported as not checked."""
    read, builds = layout_of(family), builds_of(family)
    image = edit(join(read, builds).image)
    result = check(Inspection(read, image, builds, disassemble=True), TODAY)
    assert broken_in(result) == {RULE: 1}
    assert not result.passes


def test_a_lowered_cause_explains_nothing() -> None:
    """Where the layout makes the rule a note, all that follows from it is found as ever."""
    change = (
        "[contract.link]",
        """[rules]
severity = [{ rule = "image-bytes-in-order", severity = "note", reason = "a test" }]

[contract.link]""",
    )
    read, builds = layout_of("v7", change), builds_of("v7")
    image = _swapped(4)(join(read, builds).image)
    broken = broken_in(check(Inspection(read, image, builds), TODAY))
    assert RULE in broken
    assert len(broken) > 1


def test_how_far_is_told() -> None:
    """The finding tells by how many bytes and in which direction."""
    (finding,) = findings(BREAKS["moved up by 4 KiB"]())
    assert finding.what == "all bytes are 0x1000 too high from 0x1000_0000 on"
