"""An image that lacks or confuses what the builds store: one finding says so, and nothing that follows from it."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from small_device import TODAY
from verdict_builds import broken_in, builds_of, layout_of

from gemel.checking.runner import check
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.spans import Span
from gemel.structs import replace

STATION, SAMPLER, SIZE = 0x1000_0000, 0x1000_8000, 0x8000
DIFFERS = {"image-equals-builds": 1}


def _without(start: int, size: int) -> Callable[[SparseBytes], None]:
    return lambda image: image.erase(Span(start, size))


def _with(address: int, data: bytes) -> Callable[[SparseBytes], None]:
    return lambda image: image.write(address, data)


def _exchanged(image: SparseBytes) -> None:
    places = Span(STATION, SIZE), Span(SAMPLER, SIZE)
    data = [image.read(place, 0xFF) for place in places]
    for place, other in zip(places, reversed(data), strict=True):
        image.write(place.start, other)


EDITS: dict[str, tuple[Callable[[SparseBytes], None], dict[str, int], dict[str, int]]] = {
    "no station": (_without(STATION, SIZE), DIFFERS, {"vector-table-not-blank": 1}),
    "only the end of the sampler": (_without(SAMPLER, 0x40), DIFFERS, {"vector-table-not-blank": 1}),
    "a reset handler of zero": (_with(SAMPLER + 4, bytes(4)), DIFFERS, {"reset-handler-in-code": 1}),
    "a stack pointer of zero": (_with(SAMPLER, bytes(4)), DIFFERS, {"stack-pointer-in-own-ram": 1}),
}
"""What is done to the image, and what is found with the builds and without."""


@pytest.mark.parametrize("case", EDITS)
@pytest.mark.parametrize("family", ["v6", "v7", "v8"])
def test_what_follows_from_other_bytes_is_not_found_again(case: str, family: str) -> None:
    """Rules about the device find what the builds themselves would break, and nothing else."""
    edit, with_builds, alone = EDITS[case]
    read, builds = layout_of(family), builds_of(family)
    image = join(read, builds).image
    edit(image)
    assert broken_in(check(Inspection(read, image, builds, disassemble=True), TODAY)) == with_builds
    assert broken_in(check(Inspection(read, image, {}), TODAY)) == alone


@pytest.mark.parametrize("family", ["v7", "v8"])
def test_what_is_the_station_byte_by_byte_is_one_finding(family: str) -> None:
    """Without the sampler's bytes the image is what the station stores: that it is no image explains the rest."""
    read, builds = layout_of(family), builds_of(family)
    image = join(read, builds).image
    _without(SAMPLER, SIZE)(image)
    for given in (builds, {}):
        assert broken_in(check(Inspection(read, image, given), TODAY)) == {"vector-table-not-blank": 1}


def test_builds_in_each_others_place_are_named() -> None:
    """Each core's vectors are said to be the other's; what stands on such a table is not found again."""
    read, builds = layout_of("v8"), builds_of("v8")
    image = join(read, builds).image
    _exchanged(image)
    assert broken_in(check(Inspection(read, image, builds), TODAY)) == {"vectors-of-own-build": 2}


@pytest.mark.parametrize("family", ["v6", "v7", "v8"])
def test_files_given_for_each_other_are_one_finding(family: str) -> None:
    """With both files swapped each build is out of its area, and nothing else about them is found."""
    read, builds = layout_of(family), builds_of(family)
    image = join(read, builds).image
    station, sampler = builds
    swapped = {
        station: replace(builds[sampler], name=station),
        sampler: replace(builds[station], name=sampler),
    }
    result = check(Inspection(read, image, swapped, disassemble=True), TODAY)
    assert broken_in(result) == {"builds-in-own-areas": 1}
    follows = [
        missing for each in result.results for missing in each.not_checked if "follows from" in missing.reason
    ]
    assert {need.name for missing in follows for need in missing.needs} == {"builds-in-own-areas"}
    one = {station: builds[station], sampler: replace(builds[station], name=sampler)}
    assert broken_in(check(Inspection(read, image, one, disassemble=True), TODAY)) == {
        "builds-in-own-areas": 1
    }


def test_a_fault_of_the_build_itself_stays() -> None:
    """A handler that the build has wrong is found in an image that differs elsewhere too."""
    read, builds = layout_of("v7"), builds_of("v7", "sampler-vector-constant")
    image = join(read, builds).image
    image.write(STATION + 0x90, b"\x5a")
    found = broken_in(check(Inspection(read, image, builds, disassemble=True), TODAY))
    assert found == {"image-equals-builds": 1, "handlers-executable": 1}
