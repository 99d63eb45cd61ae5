"""Tests of the rule ``vector-table-not-blank``."""

from __future__ import annotations

import pytest
from layout_edits import NO_RECORD
from small_device import FLASH, SAMPLER, apply, builds, findings, joined, layout, sampler_elf, station_elf
from vector_fixtures import (
    alone,
    changed,
    copied_layout,
    copied_sampler,
    of,
    without_record,
)

from gemel.image.sparse import SparseBytes
from gemel.spans import Span

RULE = "vector-table-not-blank"


def _misplaced(bases: int = 1) -> bytes:
    """A sampler linked 2 KiB behind the place that the layout gives it."""
    return sampler_elf(base=SAMPLER + 0x800 * bases)


def _no_sampler():
    """An image without record, of which the sampler's area was erased, by itself."""
    read = without_record()
    image = joined(read).image
    image.erase(read.layout.span_of("sampler-code"))
    return apply(RULE, read, image, {})


def _build_as_image(name: str):
    """What objcopy makes of one build, given in place of the image."""
    read = layout()
    return apply(RULE, read, _only(read, joined(read).image, f"{name}-code"), {})


def _only(read, image: SparseBytes, area: str) -> SparseBytes:
    """What ``image`` has in one area."""
    only = SparseBytes()
    for address, data in image.pieces(read.layout.span_of(area)):
        only.write(address, bytes(data))
    return only


def _erased_to_zero():
    """Flash that reads 0x00 when erased, and a sampler that is not where it should be."""
    return of(
        RULE, sampler=_misplaced(), read=layout({"write_unit = 8\n": "write_unit = 8\nerased_byte = 0\n"})
    )


BREAKS = {
    "linked after its place": lambda: of(RULE, sampler=_misplaced()),
    "linked after its place, image alone": lambda: alone(RULE, sampler=_misplaced()),
    "both words zero": lambda: of(RULE, station=station_elf(words={0: 0, 1: 0})),
    "nothing of the build in the image": _no_sampler,
    "erased byte 0x00": _erased_to_zero,
    "a build alone as image": lambda: _build_as_image("station"),
    "the other build alone as image": lambda: _build_as_image("sampler"),
    "copied build, table wiped": lambda: changed(RULE, {SAMPLER: 0xFFFF_FFFF, SAMPLER + 4: 0xFFFF_FFFF}),
}
KEEPS = {
    "both builds": lambda: of(RULE),
    "image alone": lambda: alone(RULE),
    "only the stack pointer erased": lambda: of(RULE, station=station_elf(words={0: 0xFFFF_FFFF})),
    "only the reset handler zero": lambda: of(RULE, station=station_elf(words={1: 0})),
    "copied sampler": lambda: of(RULE, read=copied_layout(), sampler=copied_sampler()),
    "layout told where it is": lambda: of(
        RULE,
        sampler=_misplaced(),
        read=layout({'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nvector_offset = 0x800'}),
    ),
}


def test_the_finding_says_where_the_table_went() -> None:
    """For a build linked elsewhere in its area, the finding gives its table's address and the way out."""
    (finding,) = findings(BREAKS["linked after its place"]())
    assert finding.what == "the vector table of build sampler is not where core sampler looks for it"
    assert finding.found.startswith("words of a vector table at 0x1000_1800; ")
    assert "vector_offset = 0x800" in finding.next_step
    assert "0x1000_1000" in finding.next_step
    assert finding.span == Span(SAMPLER, 8)


@pytest.mark.parametrize(("name", "other"), [("station", "sampler"), ("sampler", "station")])
def test_a_build_in_place_of_the_image_is_named(name: str, other: str) -> None:
    """One finding says that it looks like the build, and gives the command that joins it."""
    (finding,) = findings(_build_as_image(name))
    assert finding.what.startswith(f"this looks like build {name} alone, ")
    assert f" {other}=FILE -o IMAGE" in finding.next_step
    assert finding.explains_all


@pytest.mark.parametrize(("name", "other"), [("station", "sampler"), ("sampler", "station")])
def test_a_build_in_place_of_the_image_with_the_builds_given(name: str, other: str) -> None:
    """It is compared with the build: with the same bytes it is that build, with others an image that was cut."""
    read, made = without_record(), builds()
    image = SparseBytes()
    for segment in made[name].stored:
        image.write(segment.load_address, segment.data)
    (finding,) = findings(apply(RULE, read, image, made))
    assert finding.what.startswith(f"this is build {name} alone, not an image: ")
    assert finding.explains_all
    given = f"{name}={made[name].file} {other}={made[other].file}"
    assert finding.next_step == f"join it: gemel join {read.name} {given} -o IMAGE"
    address = next(iter(image.spans())).start + 0x10
    image.write(address, b"\x5a")
    assert not any(found.explains_all for found in findings(apply(RULE, read, image, made)))


def test_an_image_that_lost_a_build_is_no_build() -> None:
    """With its record it is an image; with a byte outside the build's areas it may be one."""
    read = layout()
    image = joined(read).image
    image.erase(read.layout.span_of("sampler-code"))
    assert not any(found.explains_all for found in findings(apply(RULE, read, image, {})))
    only = _only(read, image, "station-code")
    only.write(SAMPLER + 0x1FFF, b"\0")
    assert not any(found.explains_all for found in findings(apply(RULE, read, only, {})))


def test_an_image_at_a_wrong_address() -> None:
    """Where both tables lie at one distance from their places, the address of the binary comes first."""
    read = without_record()
    moved = SparseBytes()
    for address, data in joined(read).image.pieces(Span(FLASH, 0x2800)):
        moved.write(address + 0x800, bytes(data))
    found = findings(apply(RULE, read, moved, {}))
    assert {finding.parties[0] for finding in found} == {"station", "sampler"}
    expected = "everything is 0x800 higher: was the binary read at the right address (--at)?"
    assert {finding.next_step for finding in found} == {expected}


def test_a_layout_with_other_offsets() -> None:
    """Where the image is in its place and all tables are at one distance, the layout is wrong, not the address."""
    both = {
        f'stored_in = "{name}-code"': f'stored_in = "{name}-code"\nvector_offset = 0x800'
        for name in ("station", "sampler")
    }
    for read, given in ((layout(both), {}), (layout({**both, **NO_RECORD}), None)):
        for finding in findings(apply(RULE, read, joined().image, given)):
            assert "(--at)" not in finding.next_step
            assert f"vector_offset = 0x0 in [build.{finding.parties[0]}]" in finding.next_step


def test_the_offset_counts_from_the_area() -> None:
    """Where the layout already has an offset, the one it is told is still from the start of the area."""
    read = layout({'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nvector_offset = 0x400'})
    (finding,) = findings(of(RULE, sampler=_misplaced(), read=read))
    assert "vector_offset = 0x800" in finding.next_step
    assert "is at 0x1000_1400" in finding.next_step


def test_no_place_is_made_up() -> None:
    """Where nothing looks like a vector table, the finding names no other place."""
    (finding,) = findings(BREAKS["both words zero"]())
    assert finding.lines == ()
    assert finding.next_step == ""


def test_a_table_of_the_other_core_is_no_candidate() -> None:
    """A table whose stack pointer is in the other core's RAM is not offered as this core's."""
    foreign = sampler_elf(base=SAMPLER + 0x800, words={0: 0x2000_2000})
    (finding,) = findings(of(RULE, sampler=foreign))
    assert finding.lines == ()


def test_a_core_without_code_is_not_checked() -> None:
    """A core none of whose builds lies in a code area is named as not checked."""
    read = layout({'"4 KiB", size = "4 KiB", purpose = "code"': '"4 KiB", size = "4 KiB", purpose = "data"'})
    result = of(RULE, read=read)
    assert result.status == "not checked"
    assert [each.where for each in result.not_checked] == ["core sampler"]
    assert "area of purpose code" in result.not_checked[0].reason
