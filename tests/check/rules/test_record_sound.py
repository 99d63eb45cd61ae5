"""``record-sound``: a record that cannot be read or is not whole; its own damage is told in one go."""

from __future__ import annotations

import zlib

import pytest
from image_edits import changed
from small_device import RECORD, apply, findings, joined, layout

from gemel.image.sparse import SparseBytes
from gemel.record.format import BUILD, HEADER, HEADER_SIZE
from gemel.record.record import record_size
from gemel.spans import Span

RULE = "record-sound"
NO_RECORD = layout({'[record]\narea = "record"\nvendor = "harbour.example"\nclass = "small device"\n': ""})


def _at(name: str, entry: int | None = None) -> int:
    """Where a field of the header, or of an entry, lies."""
    if entry is None:
        return RECORD + next(field.offset for field in HEADER if field.name == name)
    offset = next(field.offset for field in BUILD if field.name == name)
    return RECORD + HEADER_SIZE + 160 * entry + offset


def _damaged(writes: dict[int, bytes], crc: bool = False) -> SparseBytes:
    """The joined image with bytes of its record replaced; ``crc``: with the record's CRC made right again."""
    image = changed(joined().image, writes)
    if crc:
        place = Span(RECORD, record_size(2) - 4)
        image.write(place.end, zlib.crc32(image.read(place, None)).to_bytes(4, "little"))
    return image


def _says(writes: dict[int, bytes], crc: bool = False):
    return apply(RULE, image=_damaged(writes, crc))


def _moved(distance: int) -> SparseBytes:
    """The joined image with its record elsewhere, whole."""
    place, image = Span(RECORD, record_size(2)), joined().image
    return changed(image, {RECORD + distance: image.read(place, None)}, (place,))


BREAKS = {
    "elsewhere": lambda: apply(RULE, image=_moved(0x800), handed={}),
    "no record at all": lambda: apply(
        RULE, image=changed(joined().image, {}, (Span(RECORD, record_size(2)),)), handed={}
    ),
    "a mark of something else": lambda: _says({RECORD: b"OTHERREC"}),
    "a format of tomorrow": lambda: _says({_at("format"): b"\2\0"}),
    "sizes that do not fit": lambda: _says({_at("build_count"): b"\3\0"}),
    "more builds than the area holds": lambda: _says(
        {_at("build_count"): b"\x10\0", _at("record_size"): record_size(16).to_bytes(4, "little")}
    ),
    "one changed byte": lambda: _says({_at("patch"): b"\4"}),
    "a changed CRC": lambda: _says({RECORD + record_size(2) - 1: b"\0"}),
    "several faults at once, after a right CRC": lambda: _says(
        {
            _at("reserved"): b"\1",
            _at("role", 0): b"\7\0",
            _at("name", 1): b"\xff",
            _at("stored_size", 1): bytes(4),
        },
        crc=True,
    ),
    "several faults at once, its CRC among them": lambda: _says(
        {_at("reserved"): b"\1", _at("role", 0): b"\7\0", _at("name", 1): b"\xff"}
    ),
}

KEEPS = {
    "a join": lambda: apply(RULE),
    "the image alone": lambda: apply(RULE, handed={}),
}


@pytest.mark.parametrize(
    "rule",
    [
        "record-sound",
        "record-digests-match",
        "record-of-these-builds",
        "record-of-this-layout",
        "rest-digest-matches",
        "version-as-asked",
    ],
)
def test_nothing_to_look_at_without_a_record_in_the_layout(rule: str) -> None:
    """A layout that asks for no record has each rule about it not checked, and says why."""
    result = apply(rule, NO_RECORD)
    assert result.status == "does not apply"
    assert [missing.reason for missing in result.not_applicable] == ["the layout has no record"]


def test_every_fault_has_its_finding() -> None:
    """Behind a right CRC every wrong field is found: an empty span is wrong as stored and as run."""
    found = findings(BREAKS["several faults at once, after a right CRC"]())
    assert [finding.where.split("0x1000_2BFF")[1] for finding in found] == [
        ", offset 0xA0",
        ", entry 0",
        ", entry 1, name",
        ", entry 1, stored_start",
        ", entry 1, run_start",
    ]
    assert {finding.span for finding in found} == {Span(RECORD, 0x400)}


@pytest.mark.parametrize("offset", [0, 7, 8, 11, 24, 64, 159, 191, 192, 351, 352, 511, 512, 515])
def test_any_changed_byte_is_found(offset: int) -> None:
    """One byte of the record, changed anywhere from its first to its last, makes it not sound."""
    byte = joined().image.read(Span(RECORD + offset, 1), None)[0]
    assert (
        apply(RULE, image=changed(joined().image, {RECORD + offset: bytes((byte ^ 1,))})).status == "broken"
    )


def test_a_record_elsewhere_is_named() -> None:
    """Where a whole record is at another place, the finding says where."""
    (finding,) = findings(apply(RULE, image=_moved(0x800), handed={}))
    assert finding.what == "the record is at another place"
    assert "2 KiB (2,048 bytes) after its place" in finding.found
