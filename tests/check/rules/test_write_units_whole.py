"""``write-units-whole``: runs of the image's bytes that begin or end inside a write unit."""

from __future__ import annotations

from gauge_rules import on_the_gauge
from image_edits import changed, filled, holding
from small_device import FLASH, RAM, SAMPLER, SPARE, STATION, apply, findings, joined, layout

from gemel.spans import Span

RULE = "write-units-whole"
BYTEWISE = layout({"write_unit = 8": "write_unit = 1"})


def _runs(*runs, read=None):
    return apply(RULE, read, holding({start: b"\1" * size for start, size in runs}), {})


BREAKS = {
    "an end inside a unit": lambda: _runs((STATION, 13)),
    "a start inside a unit": lambda: _runs((STATION + 4, 12)),
    "a hole inside a unit": lambda: _runs((STATION, 4), (STATION + 6, 2)),
    "in three areas and in none": lambda: _runs(
        (STATION, 9), (SAMPLER + 1, 7), (SPARE, 1), (FLASH + 0x3000, 3)
    ),
    "many runs in one area": lambda: _runs(*((SAMPLER + 16 * n, 5) for n in range(12))),
    "a word dropped from a join": lambda: apply(
        RULE, image=changed(joined().image, {}, (Span(SAMPLER + 0x120, 4),)), handed={}
    ),
}

KEEPS = {
    "a join": lambda: apply(RULE),
    "the image alone": lambda: apply(RULE, handed={}),
    "fill of a raw binary": lambda: apply(RULE, image=filled(joined().image, Span(FLASH, 0x4000)), handed={}),
    "whole units with holes between": lambda: _runs((STATION, 8), (STATION + 16, 24), (SAMPLER, 8)),
    "bytes written one by one": lambda: _runs((STATION, 1), (STATION + 3, 2), read=BYTEWISE),
    **on_the_gauge(RULE, alone=True),
}


def test_each_area_has_its_finding() -> None:
    """Runs are grouped by the area of their first ragged end."""
    found = findings(BREAKS["in three areas and in none"]())
    assert [finding.parties for finding in found] == [
        ("flash", "station-code"),
        ("flash", "sampler-code"),
        ("flash", "spare"),
        ("flash",),
    ]


def test_what_is_missing_is_counted() -> None:
    """The finding says which bytes would make the unit whole, and how many."""
    (finding,) = findings(BREAKS["an end inside a unit"]())
    assert finding.expected.endswith("such as 0x1000_0000..0x1000_000F (3 bytes more)")


def test_it_warns() -> None:
    """A programmer that fills in the erased byte makes it work, so it does not refuse the image."""
    assert BREAKS["an end inside a unit"]().severity == "warning"


def test_bytes_outside_flash_are_no_matter_of_it() -> None:
    """RAM has no write units, and an image without flash leaves nothing to check."""
    result = _runs((RAM, 3))
    assert result.not_applicable[0].reason == "the image holds no byte in flash"
