"""Tests of the rule ``area-bytes-accounted-for``."""

from __future__ import annotations

from collections.abc import Callable

from small_device import findings
from verdict_builds import of

from gemel.image.sparse import SparseBytes

RULE = "area-bytes-accounted-for"


def _with(address: int, data: bytes) -> Callable[[SparseBytes], SparseBytes]:
    def edit(image: SparseBytes) -> SparseBytes:
        image.write(address, data)
        return image

    return edit


BREAKS = {
    "after the station": lambda: of(RULE, "v6", edit=_with(0x1000_4000, b"leftover")),
    "after the sampler": lambda: of(RULE, "v7", edit=_with(0x1000_FFF0, b"\x12\x34")),
}
KEEPS = {
    "as joined": lambda: of(RULE, "v6"),
    "a gap between two segments": lambda: of(RULE, "v7", "sampler-gaps"),
    "a fill of zeros": lambda: of(RULE, "v8", edit=_with(0x1000_4000, bytes(64))),
    "a copy inside the station": lambda: of(RULE, "v8", "station-embeds-zeros", "sampler-gaps"),
}


def test_how_many_and_where_is_told() -> None:
    """The finding counts the bytes and names the area's build."""
    (finding,) = findings(BREAKS["after the station"]())
    assert finding.found == "8 bytes at 0x1000_4000..0x1000_4007, which are not stored by build station"


def test_it_needs_the_builds() -> None:
    """Without the build that an area is for, its bytes are not judged."""
    assert of(RULE, "v6", given=()).status == "not checked"
