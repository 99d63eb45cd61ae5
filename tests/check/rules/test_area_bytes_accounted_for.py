"""Tests of the rule ``area-bytes-accounted-for``."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from small_device import findings
from verdict_builds import build_of, of

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


@pytest.mark.parametrize(
    ("data", "broken"),
    [
        (b"\0", False),
        (b"\xff", False),
        (b"\x12", True),
        (bytes(8), False),
        (b"\x5a" * 8, True),
        (b"\0" * 7 + b"\1", True),
    ],
)
def test_only_a_fill_of_a_usual_value_is_left_alone(data: bytes, broken: bool) -> None:
    """One byte of 0x00, or many, are a fill; another value is none, however often it comes, nor is a mixture."""
    assert bool(findings(of(RULE, "v6", edit=_with(0x1000_4000, data)))) == broken


def test_what_is_between_the_segments_of_a_build_is_left_to_other_rules() -> None:
    """A byte in a gap of a given build is image-equals-builds' matter."""
    build = build_of("sampler", "sampler-gaps-v7")
    ends = sorted(each.load_address + len(each.data) for each in build.stored)
    assert not findings(of(RULE, "v7", "sampler-gaps", edit=_with(ends[0], b"\x12")))


def test_an_area_that_no_build_is_stored_in_says_so() -> None:
    """Where the layout stores nothing, the bytes are no build's."""
    spare = 'spare = { memory = "flash", offset = "48 KiB", size = "16 KiB", purpose = "data" }\n'
    sampler = 'sampler-code = { memory = "flash", offset = "32 KiB", size = '
    changes = ((f'{sampler}"32 KiB"', f'{spare}{sampler}"16 KiB"'),)
    (finding,) = findings(of(RULE, "v7", changes=changes, edit=_with(0x1000_C000, b"\x12\x34")))
    assert finding.found.endswith("not stored by any build: the layout stores none in it")
    assert finding.parties == ("spare",)
