"""An image that lacks or confuses what the builds store: one finding says so, and nothing that follows from it."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from gauge_builds import ARRANGEMENTS, gauge, gauge_builds
from small_device import TODAY
from verdict_builds import AT_ZERO, RECORDED, broken_in, builds_of, layout_of

from gemel.checking.runner import check
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import ReadLayout
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


RECORD, SPARE, NOWHERE = 0x1_0000, 0x1_2000, 0x100_0000
"""From the start of flash: the record's area, a reserved one, and no memory."""


def _moved_record(to: int) -> Callable[[SparseBytes, int, int], None]:
    def edit(image: SparseBytes, flash: int, _: int) -> None:
        (held,) = image.held_in(Span(flash + RECORD, 0x1000))
        data = image.read(held, 0xFF)
        image.erase(held)
        image.write(flash + to, data)

    return edit


def _move(image: SparseBytes, span: Span, by: int) -> None:
    image.write(span.start + by, image.read(span, 0))


def _by_size(change: Callable[[SparseBytes, int, int], None]) -> Callable[[SparseBytes, int, int], None]:
    """A change of what the sampler stores, by its address and size."""
    return lambda image, flash, size: change(image, flash + SIZE, size)


def _all_exchanged(image: SparseBytes, flash: int, _: int) -> None:
    data = [(at - flash, bytes(piece)) for at, piece in image.pieces(Span(flash, 2 * SIZE))]
    image.erase(Span(flash, 2 * SIZE))
    for at, piece in data:
        image.write(flash + (at + SIZE) % (2 * SIZE), piece)


DIGESTS = {"record-digests-match": 1}
ALONE: dict[str, tuple[Callable[[SparseBytes, int, int], None], dict[str, int]]] = {
    "both builds exchanged": (_all_exchanged, DIGESTS),
    "the end of a build moved up": (
        _by_size(
            lambda image, at, size: image.write(
                at + size // 2 + 16, image.read(Span(at + size // 2, size // 2), 0)
            )
        ),
        DIGESTS,
    ),
    "a part of zeros": (
        _by_size(lambda image, at, size: image.write(at + size // 2, bytes(size // 4))),
        DIGESTS,
    ),
    "a half erased": (
        _by_size(lambda image, at, size: image.write(at + size // 2, b"\xff" * (size // 2))),
        DIGESTS,
    ),
    "a half left out": (
        _by_size(lambda image, at, size: image.erase(Span(at + size // 2, size // 2))),
        DIGESTS,
    ),
    "all of one build moved up": (
        _by_size(lambda image, at, size: image.write(at, bytes(256) + image.read(Span(at, size), 0))),
        {"image-bytes-in-order": 1},
    ),
    "a table of zeros": (
        _by_size(lambda image, at, _: image.write(at, bytes(64))),
        {"vector-table-not-blank": 1},
    ),
    "the record where no memory is": (_moved_record(NOWHERE), {"record-sound": 1}),
    "the record in a reserved area": (_moved_record(SPARE), {"record-sound": 1}),
    "bytes in no area, and a part of zeros": (
        lambda image, flash, size: (
            image.write(flash + 0x1_4000, b"\1\2\3"),
            image.write(flash + SIZE + size // 2, bytes(size // 4)),
        )[0],
        {**DIGESTS, "image-inside-areas": 1},
    ),
    "a record moved, and other bytes where no memory is": (
        lambda image, flash, size: (
            _moved_record(SPARE)(image, flash, size),
            image.write(flash + NOWHERE, b"\1\2\3"),
        )[0],
        {"record-sound": 1, "image-inside-memories": 1},
    ),
}
"""What is done to an image that has a record, and what is found of it alone; the last ones are two faults each."""

STYLES = (
    ("station-tables", "sampler-tables"),
    ("station-startup", "sampler-startup"),
    ("station-library", "sampler-library"),
)


@pytest.mark.parametrize("case", ALONE)
@pytest.mark.parametrize("family", ["v6", "v7"])
@pytest.mark.parametrize("files", STYLES, ids=lambda files: files[0])
def test_one_fault_of_an_image_alone_is_one_finding(files: tuple[str, str], family: str, case: str) -> None:
    """Without the builds, by record, digests and vectors: the cause, and nothing that follows from it."""
    at_zero = files[0] == "station-startup"
    read, builds = layout_of(family, *RECORDED, *(AT_ZERO if at_zero else ())), builds_of(family, *files)
    image = join(read, builds).image
    edit, expected = ALONE[case]
    flash = 0 if at_zero else STATION
    size = sum(len(piece) for _, piece in image.pieces(Span(flash + SIZE, SIZE)))
    assert broken_in(check(Inspection(read, image, {}, disassemble=True), TODAY)) == {}
    edit(image, flash, size)
    assert broken_in(check(Inspection(read, image, {}, disassemble=True), TODAY)) == expected


@pytest.mark.parametrize("family", ["v6", "v8"])
def test_exchanged_builds_are_named_by_the_record(family: str) -> None:
    """The finding names both, and where each one's bytes are."""
    read, builds = layout_of(family, *RECORDED), builds_of(family, "station-tables", "sampler-tables")
    image = join(read, builds).image
    _all_exchanged(image, STATION, 0)
    result = check(Inspection(read, image, {}), TODAY)
    (finding,) = [found.finding for each in result.results for found in each.findings]
    assert finding.what.endswith("are in each other's place")
    assert {"station", "sampler"} <= set(finding.what.split())


IN_SAMPLER = (0, 4, 8, 0x24, 0x30, 0x5F, 0x60, 0x61)


def _cut(image: SparseBytes, start: int, padded: bool) -> SparseBytes:
    """What is before an address; ``padded`` with erased bytes to the old end."""
    cut, bounds = image.copy(), image.bounds()
    if bounds and bounds.end > start:
        cut.erase(Span.from_bounds(start, bounds.end))
        if padded:
            cut.write(start, b"\xff" * (bounds.end - start))
    return cut


def _errors(image: SparseBytes, read: ReadLayout) -> dict[str, tuple[str, ...]]:
    """The findings of an image alone, each with its evidence."""
    result = check(Inspection(read, image, {}, disassemble=True), TODAY)
    return {each.what: (each.found, *each.lines) for _, each in result.open_findings("error")}


@pytest.mark.parametrize("padded", [False, True])
@pytest.mark.parametrize("changes", [(), RECORDED], ids=["no record", "record"])
@pytest.mark.parametrize("family", ["v6", "v7", "v8"])
def test_an_image_alone_that_is_cut(family: str, changes: tuple[tuple[str, str], ...], padded: bool) -> None:
    """It ends somewhere: one finding, with where; another fault before that is one of its own."""
    read = layout_of(family, *changes)
    image = join(read, builds_of(family)).image
    for offset in IN_SAMPLER:
        found = _errors(_cut(image, SAMPLER + offset, padded), read)
        assert len(found) == 1
        if offset or padded:
            assert any(
                "it may be cut" in line or "its file may be cut" in line for line in sum(found.values(), ())
            )
    image.write(STATION + 4, bytes((image.read(Span(STATION + 4, 1), None)[0] & 0xFE,)))
    found = _errors(_cut(image, SAMPLER + 0x30, padded), read)
    assert len(found) == 2
    assert "the reset handler of build station lacks the Thumb bit" in found


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_the_gauge_alone_that_is_cut(arrangement: str) -> None:
    """In builds, between them, in a checksum, in the record: one finding each, warnings too."""
    read = gauge(arrangement)
    image = join(read, gauge_builds(arrangement)).image
    for span in image.spans():
        middle = span.start + span.size // 2
        for start in (span.start + 4, span.start + 0x88, middle, middle | 1, span.end - 40, span.end - 4):
            found = broken_in(check(Inspection(read, _cut(image, start, False), {}), TODAY))
            assert sum(found.values()) == 1, f"{start:#x}: {found}"
