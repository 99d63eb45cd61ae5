"""``build-ids-equal``: build ids of the builds at hand, of the record and of the image's bytes."""

from __future__ import annotations

import layout_edits as edits
import pytest
from gauge_builds import gauge, gauge_builds
from gauge_rules import on_the_gauge
from image_edits import changed, holding
from small_device import (
    CODE,
    SAMPLER,
    SAMPLER_ID,
    STATION,
    STATION_ID,
    apply,
    builds,
    findings,
    joined,
    layout,
    note,
    sampler_elf,
    station_elf,
)
from small_device import build as build_of

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.joining.pipeline import join

RULE = "build-ids-equal"
OTHER = bytes(range(200, 220))
SHORT = bytes(range(8))
NO_RECORD = layout(edits.NO_RECORD)
NOTE_AT = SAMPLER + 4 * 32 + len(CODE)
IMAGE = joined().image
OTHER_SAMPLER = sampler_elf(build_id=OTHER)
NO_ID = sampler_elf(build_id=None)
RAW = read_build(
    BytesSource(builds()["sampler"].stored[0].data, "sampler.bin"),
    name="sampler",
    file="sampler.bin",
    raw_start=SAMPLER,
)

BREAKS = {
    "another sampler given": lambda: apply(RULE, image=IMAGE, handed=builds(sampler=OTHER_SAMPLER)),
    "another sampler given, no record": lambda: apply(RULE, NO_RECORD, IMAGE, builds(sampler=OTHER_SAMPLER)),
    "another note in the image": lambda: apply(RULE, image=changed(IMAGE, {NOTE_AT: note(OTHER)})),
    "another note in the image, by its record alone": lambda: apply(
        RULE, image=changed(IMAGE, {NOTE_AT: note(OTHER)}), handed={}
    ),
    "a raw binary given, another note in the image": lambda: apply(
        RULE,
        image=changed(IMAGE, {NOTE_AT: note(OTHER)}),
        handed={"station": builds()["station"], "sampler": RAW},
    ),
    "the tide gauge, another build of the sampler": lambda: apply(
        RULE, gauge(), join(gauge(), gauge_builds()).image, gauge_builds(sampler="sampler-wide-enums")
    ),
}

KEEPS = {
    "a record of a join from a file without a build id": lambda: apply(
        RULE, image=changed(joined(handed=builds(sampler=NO_ID)).image, {NOTE_AT: note(SAMPLER_ID)})
    ),
    "a join": lambda: apply(RULE),
    "the image alone, by its record": lambda: apply(RULE, handed={}),
    "no record": lambda: apply(RULE, NO_RECORD),
    "a short build id": lambda: apply(RULE, handed=builds(sampler=sampler_elf(build_id=SHORT))),
    "a raw binary given": lambda: apply(
        RULE, image=IMAGE, handed={"station": builds()["station"], "sampler": RAW}
    ),
    "a note among others": lambda: apply(RULE, image=changed(IMAGE, {STATION + 0x800: note(OTHER)})),
    "a note that was dropped, known from the record": lambda: apply(
        RULE, image=changed(IMAGE, {NOTE_AT: b"\xff" * 36})
    ),
    **on_the_gauge(RULE),
}


def test_record_and_image_are_one_finding() -> None:
    """Where both record and image name the same other build than the given one, that is one cause."""
    (found,) = findings(BREAKS["another sampler given"]())
    assert found.found == SAMPLER_ID.hex()
    assert found.expected == f"{OTHER.hex()}, as in sampler.elf"
    assert found.lines == ("the record names the same other one",)
    assert "record" in found.parties
    assert found.span is not None
    assert found.span.start == NOTE_AT


def test_the_record_stands_in_for_the_build() -> None:
    """With the image alone, its note is held against the record."""
    (finding,) = findings(BREAKS["another note in the image, by its record alone"]())
    assert finding.expected == f"{SAMPLER_ID.hex()}, as in the record"


def test_no_build_id_anywhere_is_not_checked() -> None:
    """A build that was linked without one gives nothing to compare, and the reason says how to get one."""
    handed = builds(sampler=NO_ID)
    result = apply(RULE, handed=handed, image=joined(handed=handed).image)
    assert [each.where for each in result.not_checked] == ["build sampler"]
    assert "--build-id" in result.not_checked[0].reason


def test_one_source_alone_is_not_checked() -> None:
    """A build id that only the ELF file, or only the record, tells is held against nothing."""
    blank = changed(IMAGE, {NOTE_AT: b"\xff" * 36})
    by_file = apply(RULE, NO_RECORD, blank)
    by_record = apply(RULE, image=blank, handed={"station": builds()["station"]})
    assert [each.where for each in by_file.not_checked] == ["build sampler"]
    assert by_file.not_checked[0].reason.startswith("only sampler.elf shows its build id")
    assert by_file.not_checked[0].reason.endswith("and no record shows it")
    assert by_record.not_checked[0].reason.endswith("needs the ELF file: sampler=FILE")


def test_nothing_at_hand_is_not_checked() -> None:
    """Neither ELF file nor record: nothing tells what the build id should be."""
    result = apply(RULE, NO_RECORD, holding({SAMPLER: b"\1"}), {})
    assert {each.reason for each in result.not_checked} == {
        "needs the ELF file: station=FILE",
        "needs the ELF file: sampler=FILE",
    }


@pytest.mark.parametrize("size", [1, 8, 16, 20, 32])
def test_build_ids_of_every_usual_length_are_found(size: int) -> None:
    """Linkers make build ids of 8, 16 and 20 bytes, or of any length on demand (common practice)."""
    handed = builds(station=station_elf(build_id=bytes(range(1, size + 1))))
    assert apply(RULE, handed=handed).status == "holds"
    other = builds(station=station_elf(build_id=STATION_ID[:size][::-1]))
    assert apply(RULE, image=joined(handed=handed).image, handed=other).status == "broken"


def test_the_station_is_named_with_its_own_id() -> None:
    """The other build of a broken pair still holds."""
    result = BREAKS["another sampler given"]()
    assert [held.where for held in result.holds] == ["build station"]
    assert build_of("station", station_elf()).build_id == STATION_ID


def test_builds_in_each_others_place_are_one_finding() -> None:
    """Where each build's id is in the place of the other, the image has them exchanged; one of the two is not that."""
    at = IMAGE.bounds().start + bytes(IMAGE.read(IMAGE.bounds(), 0xFF)).find(note(STATION_ID))
    exchanged = {at: note(SAMPLER_ID), NOTE_AT: note(STATION_ID)}
    for handed in (builds(), {}):
        (finding,) = findings(apply(RULE, image=changed(IMAGE, exchanged), handed=handed))
        assert finding.what == "builds station and sampler are in each other's place"
        assert finding.next_step.endswith("station=FILE sampler=FILE")
    (finding,) = findings(apply(RULE, image=changed(IMAGE, {NOTE_AT: note(STATION_ID)})))
    assert finding.lines == ("that is the build id of build station",)
