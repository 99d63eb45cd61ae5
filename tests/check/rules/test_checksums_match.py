"""``checksums-match``: wrong checksums, each with what would make it right, and those that nothing explains.

Expected values are those of `zlib.crc32`, which is CRC-32/ISO-HDLC (check value 0xCBF43926, from memory).
"""

from __future__ import annotations

import struct
import zlib

import pytest
from gauge_rules import on_the_gauge
from image_edits import changed, filled
from small_device import (
    CODE,
    FLASH,
    STATION,
    apply,
    build,
    builds,
    findings,
    joined,
    layout,
    sampler_elf,
    station_elf,
)

from gemel.checking.runner import RuleResult
from gemel.checksums import diagnosis as checksum_diagnosis
from gemel.image.sparse import SparseBytes
from gemel.layout.reader import ReadLayout
from gemel.spans import Span

RULE = "checksums-match"
OVER = 'over = [{ area = "station-code", offset = 0, size = 0xFFC }]'
ALGORITHM = '"CRC-32/ISO-HDLC"'
RECORD_TABLE = '[record]\narea = "record"\nvendor = "harbour.example"\nclass = "small device"\n'
PLACE = STATION + 0xFFC


def _stored_as(replace: dict[str, str]) -> RuleResult:
    """The sound layout against an image that was joined with the checksum described otherwise."""
    return apply(RULE, layout(), joined(layout(replace)).image)


def _holding(value: int | bytes, read: ReadLayout | None = None) -> RuleResult:
    """An image with this value at the checksum's place."""
    data = value if isinstance(value, bytes) else struct.pack("<I", value)
    return apply(RULE, read, changed(joined(read).image, {PLACE: data}))


def _covered(image: SparseBytes | None = None, size: int = 0xFFC) -> bytes:
    return (image or joined().image).read(Span(STATION, size), 0xFF)


def _station_alone() -> int:
    made = joined()
    return zlib.crc32(made.image.read(made.placed["station"].stored, None))


def _unfilled_image(byte: int) -> SparseBytes:
    """The join of a tool that leaves holes, and took them as ``byte`` in the checksum."""
    made = joined()
    station = made.placed["station"].stored
    image = changed(made.image, {}, (Span.from_bounds(station.end, PLACE),))
    data = image.read(station, None) + bytes((byte,)) * (PLACE - station.end)
    return changed(image, {PLACE: struct.pack("<I", zlib.crc32(data))})


EXCEPT = layout({OVER: f"{OVER}\nexcept = [{{ start = 0x1000_0200, size = 16 }}]"})

BREAKS = {
    "the other byte order": lambda: _holding(struct.pack(">I", zlib.crc32(_covered()))),
    "fed by word": lambda: _stored_as({OVER: f'{OVER}\nfeed = "word"'}),
    "not reflected": lambda: _stored_as({ALGORITHM: '"CRC-32/BZIP2"'}),
    "without the final inversion": lambda: _stored_as({ALGORITHM: '"CRC-32/JAMCRC"'}),
    "another polynomial": lambda: _stored_as({ALGORITHM: '"CRC-32/ISCSI"'}),
    "a sum": lambda: _stored_as({ALGORITHM: '"sum-32-of-words"'}),
    "its exception counted": lambda: _holding(zlib.crc32(_covered()), EXCEPT),
    "its own place counted": lambda: _holding(zlib.crc32(_covered() + b"\xff" * 4)),
    "the last word left out": lambda: _holding(zlib.crc32(_covered(size=0xFF8))),
    "only the build": lambda: _holding(_station_alone()),
    "unwritten bytes as zero": lambda: apply(RULE, image=_unfilled_image(0)),
    "two at once": lambda: _stored_as({ALGORITHM: '"CRC-32/ISCSI"', OVER: f'{OVER}\nbyte_order = "big"'}),
    "nothing written": lambda: apply(RULE, image=changed(joined().image, {}, (Span(PLACE, 4),))),
    "zeroed": lambda: _holding(0),
    "a covered byte changed": lambda: apply(
        RULE, image=changed(joined().image, {STATION + 0x90: b"\0"}), handed={}
    ),
    "ranges that do not come out even": lambda: apply(
        RULE,
        layout({OVER: 'over = [{ build = "station" }]\nfeed = "word"', "write_unit = 8": "write_unit = 1"}),
        joined(layout({"write_unit = 8": "write_unit = 1"}), builds(station_elf(code=CODE + b"\1"))).image,
        builds(station_elf(code=CODE + b"\1")),
    ),
}

EXPLAINED = {
    "the other byte order": "for byte order big",
    "fed by word": "for feed word",
    "not reflected": "for refin false and refout false (CRC-32/BZIP2)",
    "without the final inversion": "for xorout 0x00000000 (CRC-32/JAMCRC)",
    "another polynomial": "for CRC-32/ISCSI",
    "a sum": "for sum-32-of-words",
    "its exception counted": "if its exceptions are counted too",
    "its own place counted": "if its own place is counted as erased",
    "the last word left out": "if the last 4 bytes are left out",
    "only the build": "if it covers build station alone, 0x1000_0000..0x1000_012F",
    "unwritten bytes as zero": "if unwritten bytes count as 0x00",
    "two at once": "for byte order big and for CRC-32/ISCSI",
}

ELSEWHERE = {
    "over the area but for 8 bytes": (
        "size = 0xFFC }]",
        "size = 0xFF4 }]",
        "0x1000_0000..0x1000_0FF3, ending 8 bytes earlier",
    ),
    "16 bytes later": (
        "offset = 0, size = 0xFFC }]",
        "offset = 16, size = 0xFEC }]",
        "0x1000_0010..0x1000_0FFB, starting 16 bytes later",
    ),
    "256 bytes later": (
        "offset = 0, size = 0xFFC }]",
        "offset = 0x100, size = 0xEFC }]",
        "0x1000_0100..0x1000_0FFB, starting 256 bytes later",
    ),
    "after the vector table": (
        "offset = 0, size = 0xFFC }]",
        "offset = 0x80, size = 0xF7C }]",
        "0x1000_0080..0x1000_0FFB, starting after the vector table of build station",
    ),
}
"""What the device takes, as a change of the sound layout, and how the finding tells it."""

BREAKS |= {
    f"a device that covers {name}": lambda old=old, new=new: _stored_as({old: new})
    for name, (old, new, _) in ELSEWHERE.items()
}
BREAKS["a device that covers the area, a layout that covers the build"] = lambda: apply(
    RULE, layout({OVER: 'over = [{ build = "station" }]'}), joined().image
)
BREAKS["another layout than the join's, and nothing that explains it"] = lambda: _stored_as(
    {OVER: 'over = [{ area = "station-code", offset = 0x54, size = 0x120 }]'}
)
BREAKS["a value that was changed"] = lambda: _holding(0x1234_5678)

KEEPS = {
    "a join": lambda: apply(RULE),
    "the image alone": lambda: apply(RULE, handed={}),
    "fill of a raw binary": lambda: apply(RULE, image=filled(joined().image, Span(FLASH, 0x4000))),
    "big endian, word feed": lambda: apply(
        RULE, layout({OVER: f'{OVER}\nfeed = "word"\nbyte_order = "big"', ALGORITHM: '"CRC-32/MPEG-2"'})
    ),
    "over a build, by the record": lambda: apply(
        RULE, layout({OVER: 'over = [{ build = "sampler" }]'}), handed={}
    ),
    "with an exception": lambda: apply(RULE, EXCEPT),
    **on_the_gauge(RULE),
}


@pytest.mark.parametrize("case", EXPLAINED)
def test_the_explanation_is_found(case: str) -> None:
    """Each misunderstanding is named, and no other beside it."""
    (finding,) = findings(BREAKS[case]())
    assert finding.lines == (f"the stored value is right {EXPLAINED[case]}",)


@pytest.mark.parametrize("name", ELSEWHERE)
def test_a_range_that_starts_or_ends_elsewhere_is_found(name: str) -> None:
    """Ends off by a few bytes, headers and vector tables left out are named, and no other beside them."""
    (finding,) = findings(BREAKS[f"a device that covers {name}"]())
    assert finding.lines == (f"the stored value is right if it covers {ELSEWHERE[name][2]}",)


def test_the_whole_area_instead_of_the_build_is_found() -> None:
    """A device that takes all of the area before the checksum, where the layout says the build."""
    (finding,) = findings(BREAKS["a device that covers the area, a layout that covers the build"]())
    assert len(finding.lines) == 1
    assert "if it covers 0x1000_0000..0x1000_0FFB, ending " in finding.lines[0]


def test_what_the_record_vouches_for_is_not_called_changed() -> None:
    """Where the record's digests hold, the layout differs or the stored value was changed, not the bytes."""
    (finding,) = findings(BREAKS["another layout than the join's, and nothing that explains it"]())
    assert finding.lines[0].endswith("unchanged since the join: the layout differs")
    assert finding.lines[1].startswith("ranges tried: with their first byte at ")
    assert len(finding.lines[1]) < 160
    (finding,) = findings(BREAKS["a value that was changed"]())
    assert "unchanged since the join: the stored value was changed" in finding.lines[0]


def test_a_build_that_lies_elsewhere_is_not_asked_for_again() -> None:
    """A checksum over a build that was given, but has no byte in its area, says that."""
    read = layout({OVER: 'over = [{ build = "sampler" }]', RECORD_TABLE: ""})
    image = joined(layout({RECORD_TABLE: ""})).image
    handed = {**builds(), "sampler": build("sampler", sampler_elf(base=FLASH + 0x3000))}
    (missing,) = apply(RULE, read, image, handed).not_checked
    assert "no byte of the file that was given for it is in its area sampler-code" in missing.reason
    (missing,) = apply(RULE, read, image, {"station": handed["station"]}).not_checked
    assert "needs sampler=FILE" in missing.reason


@pytest.mark.parametrize("case", ["nothing written", "zeroed"])
def test_a_blank_value_is_called_blank(case: str) -> None:
    """An erased or zeroed place is told as such, without guesses that might fit it."""
    (finding,) = findings(BREAKS[case]())
    assert finding.lines == ("the stored value is blank: nothing was written there, or it was erased",)


def test_nothing_explains_a_changed_byte() -> None:
    """Where the covered bytes changed no explanation is offered, and that is said."""
    (finding,) = findings(BREAKS["a covered byte changed"]())
    assert len(finding.lines) == 2
    assert finding.lines[0].startswith("no other byte order, feed, reflection, algorithm, fill or range that")
    assert "the covered bytes changed" in finding.lines[0]
    stored = zlib.crc32(_covered())
    now = zlib.crc32(_covered(changed(joined().image, {STATION + 0x90: b"\0"})))
    assert finding.found == struct.pack("<I", stored).hex(" ")
    assert finding.expected == f"{struct.pack('<I', now).hex(' ')} (CRC-32/ISO-HDLC, little byte order)"


def test_a_search_that_was_cut_short_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """When the bound of the work ends the search, the finding does not claim that nothing explains it."""
    monkeypatch.setattr(checksum_diagnosis, "_MAX_COST", 0)
    (finding,) = findings(BREAKS["a covered byte changed"]())
    assert finding.lines[-1] == "not everything was tried, since the covered bytes are many"


@pytest.mark.parametrize(("together", "whole"), [(60_000, [True, True]), (20_000, [True, False])])
def test_all_checksums_of_a_check_share_the_work(
    monkeypatch: pytest.MonkeyPatch, together: int, whole: list[bool]
) -> None:
    """The attack: 64 checksums over 700 KiB, all wrong, took 11 s, since each had a second to be explained."""
    again = """
[[checksum]]
name = "again"
algorithm = "CRC-32/ISO-HDLC"
over = [{ area = "station-code", offset = 0, size = 0xF00 }]
at = { area = "station-code", offset = 0xF80 }
"""
    read = layout(add=again)
    monkeypatch.setattr(checksum_diagnosis, "_MAX_IN_ALL", together)
    found = findings(apply(RULE, read, changed(joined(read).image, {STATION + 0x90: b"\0"}), {}))
    assert [not each.lines[-1].startswith("not everything was tried") for each in found] == whole


def test_parties_are_the_checksum_and_the_areas_it_covers() -> None:
    """A waiver may name the checksum or an area that it covers."""
    (finding,) = findings(BREAKS["zeroed"]())
    assert finding.parties == ("station-crc", "station-code")


def test_where_a_build_ends_must_be_known() -> None:
    """Over a build, with neither its file nor a sound record, the range is not guessed."""
    read = layout({OVER: 'over = [{ build = "sampler" }]', RECORD_TABLE: ""})
    result = apply(RULE, read, joined(read).image, {})
    assert [missing.reason for missing in result.not_checked] == [
        "where build sampler ends: needs sampler=FILE, or an image with a sound record"
    ]


def test_an_exception_over_all_of_a_build() -> None:
    """A checksum whose exceptions leave out every byte of its build has nothing to be checked against."""
    read = layout({OVER: 'over = [{ build = "sampler" }]\nexcept = ["sampler-code"]'})
    result = apply(RULE, read, joined().image)
    assert [missing.reason for missing in result.not_checked] == [
        "its exceptions leave out all that it covers"
    ]


def test_a_symbol_needs_its_elf_file() -> None:
    """Where the checksum lies at a symbol, the ELF file tells its place, and nothing else does."""
    at = 'at = { area = "station-code", offset = 0xFFC }'
    read = layout(
        {
            at: 'at = { build = "station", symbol = "image_length" }',
            OVER: 'over = ["sampler-code"]',
            'at = { build = "station", symbol = "image_length" }\nwidth': "at = 0x1000_0FF0\nwidth",
        }
    )
    assert apply(RULE, read).status == "holds"
    result = apply(RULE, read, joined(read).image, {})
    assert [missing.reason for missing in result.not_checked] == ["needs the ELF file: station=FILE"]


@pytest.mark.parametrize(("over", "covers"), [(OVER, True), ('over = ["sampler-code"]', False)])
def test_only_a_stamp_that_it_covers_is_a_cause(over: str, covers: bool) -> None:
    """A wrong stamp elsewhere does not explain a checksum that does not match."""
    read = layout({OVER: over})
    image = changed(joined(read).image, {STATION + 0x90: b"\0", STATION + 0x1090: b"\0"})
    (finding,) = findings(apply(RULE, read, image))
    assert (("stamps-match", "station-length") in finding.follows_from) == covers
