"""Tests of the rule ``vectors-of-own-build``."""

from __future__ import annotations

from elf_writer import SegmentSpec, elf
from small_device import (
    RAM_OF_SAMPLER,
    SAMPLER,
    STATION,
    apply,
    build,
    builds,
    findings,
    joined,
    layout,
    sampler_elf,
    vector_words,
)
from vector_fixtures import (
    HIGH,
    STAMP_TABLE,
    aliased_builds,
    aliased_layout,
    alone,
    application_elf,
    changed,
    copied_layout,
    copied_sampler,
    of,
    two_station_builds,
)

from gemel.layout.reader import ReadLayout
from gemel.spans import Span

RULE = "vectors-of-own-build"
STAMP = """
[[stamp]]
name = "mark"
at = { area = "sampler-code", offset = 0x20 }
width = 4
value = 0x600D_F00D
"""


def _overwritten(source: int, target: int, names: tuple[str, ...], read: ReadLayout | None = None):
    """An image in which one build's table was written over another's, with these builds at hand."""
    handed = builds()
    if read:
        handed["application"] = build("application", application_elf())
    image = joined(read, handed).image
    image.write(target, image.read(Span(source, 128), None))
    return apply(RULE, read, image, {name: handed[name] for name in names})


BREAKS = {
    "the sampler has the station's table": lambda: _overwritten(STATION, SAMPLER, ("station", "sampler")),
    "the same, only the station given": lambda: _overwritten(STATION, SAMPLER, ("station",)),
    "the application has the boot loader's table": lambda: _overwritten(
        STATION, HIGH, ("station", "sampler", "application"), two_station_builds()
    ),
    "one word changed": lambda: changed(RULE, {SAMPLER + 12: SAMPLER + 0x91}),
    "stack pointer and last word changed": lambda: changed(
        RULE, {SAMPLER: RAM_OF_SAMPLER + 0x2800, SAMPLER + 124: 0}
    ),
}
KEEPS = {
    "both builds": lambda: of(RULE),
    "copied sampler": lambda: of(RULE, read=copied_layout(), sampler=copied_sampler()),
    "linked for an alias": lambda: of(RULE, read=aliased_layout(), **aliased_builds()),
    "the layout stamps a word": lambda: of(RULE, read=layout(add=STAMP)),
    "boot loader and application": lambda: of(
        RULE, read=two_station_builds(), more={"application": application_elf()}
    ),
}


def test_the_finding_says_whose_table_it_is() -> None:
    """A core with the other core's table is told with both builds and both cores."""
    (finding,) = findings(BREAKS["the sampler has the station's table"]())
    assert (
        finding.what
        == "core sampler would start with the vector table of build station, which is for core station"
    )
    assert finding.parties == ("sampler", "sampler", "station")
    assert "station.elf" in finding.found


def test_the_finding_names_the_words_that_differ() -> None:
    """Changed words are named, and the first one is given as found and as in the file."""
    (finding,) = findings(BREAKS["stack pointer and last word changed"]())
    assert "words 0, 31 of" in finding.where
    assert finding.expected == "0x3000_3000, as in sampler.elf"


def test_it_needs_the_file() -> None:
    """A table that looks right is not held to be this build's without the build."""
    result = alone(RULE)
    assert result.status == "not checked"
    assert [each.reason for each in result.not_checked] == [
        "needs the build: station=FILE",
        "needs the build: sampler=FILE",
    ]
    assert [each.where for each in alone(RULE, keep=("station",)).not_checked] == ["build sampler"]


def test_a_stamp_whose_place_is_unknown_may_be_the_reason() -> None:
    """Without the station's file a changed word may be the stamp that goes to a symbol of the station."""
    image = joined().image
    image.write(SAMPLER + 32, b"mark")
    handed = {"sampler": builds()["sampler"]}
    result = apply(RULE, image=image, handed=handed)
    places = [each.where for each in result.not_checked]
    assert places == ["build station", "build sampler, word 8 (reserved)"]
    plain = layout({STAMP_TABLE: ""})
    image = joined(plain).image
    image.write(SAMPLER + 32, b"mark")
    assert apply(RULE, plain, image, handed).status == "broken"


def test_words_that_the_file_does_not_hold_are_left_to_another_rule() -> None:
    """A table with a hole is compared as far as its file goes."""
    table = vector_words(RAM_OF_SAMPLER + 0x3000, SAMPLER + 0x81)[:64]
    holed = elf([SegmentSpec(SAMPLER, table), SegmentSpec(SAMPLER + 0x80, bytes(range(1, 129)))])
    assert of(RULE, sampler=holed).status == "holds"


def test_a_blank_table_is_not_checked() -> None:
    """A blank table is nobody's."""
    assert of(RULE, sampler=sampler_elf(words={0: 0, 1: 0})).status == "not checked"
