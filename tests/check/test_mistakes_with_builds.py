"""What a tired engineer does to builds and layout: one finding that names the cause, and what it leads to."""

from __future__ import annotations

import io
import re

import pytest
from contract_builds import sides
from contract_fixtures import contract
from gauge_builds import gauge, gauge_builds
from intelhex import IntelHex
from small_device import SAMPLER, STATION, TODAY, builds, joined, layout, sampler_elf, station_elf
from vector_fixtures import without_record
from verdict_builds import broken_in

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.runner import RulesApplied, check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import read_layout
from gemel.structs import replace

TWICE = {
    'at = { build = "station", symbol = "image_length" }\nwidth = 4': 'at = { build = "station", symbol = '
    '"image_length" }\nwidth = 4\nvalue = 1\n\n[[stamp]]\nname = "again"\nat = { build = "station", symbol = '
    '"image_length" }\nwidth = 4'
}


def _lines(result: RulesApplied) -> str:
    (found,) = [each.finding for each in result.findings if each.severity == "error"]
    return "; ".join(found.lines)


def test_a_build_for_ram_where_the_layout_says_in_place() -> None:
    """The layout lacks runs_in: what the boot constant and the start-up code show follows from it."""
    text = re.sub(r"(?m)^(runs_in|copied_by).*\n", "", gauge("copied").text)
    read, handed = read_layout(text.encode(), "gauge.toml"), gauge_builds("copied")
    result = check(Inspection(read, join(read, handed).image, handed), TODAY)
    assert broken_in(result) == {"reset-handler-in-code": 1}
    assert "leads to boot-constant-agrees" in _lines(result)
    (found,) = result.findings
    assert found.finding.what.startswith("build sampler is linked to run in RAM; the layout says")


@pytest.mark.parametrize("also", ["", 'types = ["enum link_protocol"]\n'])
def test_two_versions_of_one_header(also: str) -> None:
    """Several constants that differ, and a type with them, are one finding, that of the type where it is named."""
    read = contract(f'{also}constants = ["LINK_PROTOCOL", "link_version", "LINK_DEPTH"]')
    handed = sides(sampler="sampler-protocol")
    result = check(Inspection(read, join(read, handed).image, handed), TODAY)
    found = [each.rule.name for each in result.findings if each.severity == "error"]
    name = "contract-types-agree" if also else "contract-constants-equal"
    assert found == [name]
    assert ("leads to contract-constants-equal" if also else "also: builds station and sampler") in _lines(
        result
    )


def test_the_layout_of_another_product() -> None:
    """Vendor, class, version and counter of an image follow from its being for another product."""
    edits = {"harbour.example": "one.example", '"small-device"': '"other"', "rollback = 7": "rollback = 1"}
    image = joined(layout(edits)).image
    read = layout({"harbour.example": "two.example", 'class = "small device"': 'class = "b"'})
    result = check(Inspection(read, image, builds()), TODAY)
    assert broken_in(result) == {"record-of-this-layout": 1}
    assert "version-as-asked" in _lines(result)


def test_a_section_that_was_left_out_of_a_hex_file() -> None:
    """What the record says of the shorter build follows from the bytes that the image lacks."""
    short = {**builds(), "sampler": _without_tail()}
    image = joined(None, short).image
    result = check(Inspection(layout(), image, builds()), TODAY)
    assert "record-of-these-builds" not in broken_in(result)
    assert "record-of-these-builds" in _lines(result)


def _without_tail():
    whole = builds()["sampler"]
    last = whole.segments[-1] if whole.segments[-1].data else whole.stored[-1]
    cut = replace(last, data=last.data[:-0x40], memory_size=last.memory_size - 0x40)
    rest = tuple(cut if each is last else each for each in whole.segments)
    return replace(whole, segments=rest, build_id=None)


def test_two_stamps_at_one_symbol() -> None:
    """That both are written to the same bytes is one finding, whichever of them the image holds."""
    text = without_record().text
    for old, new in TWICE.items():
        assert old in text
        text = text.replace(old, new)
    result = check(Inspection(read_layout(text.encode(), "small.toml"), joined().image, builds()), TODAY)
    (found,) = [each.finding for each in result.findings if each.rule.name == "written-places-free"]
    assert found.what.endswith("are written to the same bytes")
    assert "again" in found.parties
    assert "stamps-match" not in broken_in(result)


def test_a_build_at_the_place_of_another_one() -> None:
    """A second build that was linked for the first one's area is to be linked again: nothing was swapped."""
    handed = builds(sampler=sampler_elf(base=STATION))
    result = check(Inspection(layout(), joined().image, handed), TODAY)
    (found,) = [each.finding for each in result.findings if each.rule.name == "builds-in-own-areas"]
    assert "link build sampler for 0x1000_1000" in found.next_step
    same = builds(sampler=station_elf())
    (found,) = [
        each.finding
        for each in check(Inspection(layout(), joined().image, same), TODAY).findings
        if each.rule.name == "builds-in-own-areas"
    ]
    assert "have the same file" in found.next_step
    assert SAMPLER == STATION + 0x1000


@pytest.mark.parametrize("bytes_of_a_piece", [1, 16])
def test_one_file_for_both_builds_that_begins_before_the_second(bytes_of_a_piece: int) -> None:
    """A HEX file of the whole memory, given as each build, has no piece that begins in the second one's area."""
    stored = IntelHex()
    stored.puts(0x1000_0000, bytes(index * 7 // 5 & 0xFF for index in range(50_000)))
    text = io.StringIO()
    stored.write_hex_file(text, byte_count=bytes_of_a_piece)
    source = BytesSource(text.getvalue().encode(), "whole.hex")
    handed = {name: read_build(source, name=name, file="whole.hex") for name in ("station", "sampler")}
    read = layout()
    result = check(Inspection(read, joined(read).image, handed), TODAY)
    assert broken_in(result) == {"image-equals-builds": 2}
