"""``rest-digest-matches``: bytes outside the builds that were not there at the join, or were otherwise."""

from __future__ import annotations

import hashlib

from gauge_rules import on_the_gauge
from image_edits import changed, filled
from record_edits import record_of, with_entry, with_record
from small_device import FLASH, RECORD, SEAL, SPARE, STATION, apply, findings, joined, layout

from gemel.record.record import record_size
from gemel.spans import Span

RULE = "rest-digest-matches"
CRC_PLACE = STATION + 0xFFC

SEALED = layout(add='\n[seal]\narea = "seal"\n')

BREAKS = {
    "a changed checksum": lambda: apply(RULE, image=changed(joined().image, {CRC_PLACE: b"\0"}), handed={}),
    "bytes where nothing was": lambda: apply(RULE, image=changed(joined().image, {FLASH + 0x3F00: b"\0"})),
    "bytes after the record": lambda: apply(
        RULE, image=changed(joined().image, {RECORD + record_size(2): b"\0"})
    ),
    "many runs": lambda: apply(
        RULE, image=changed(joined().image, {FLASH + 0x3000 + 0x100 * n: b"\0" for n in range(6)}), handed={}
    ),
    "the checksum taken away": lambda: apply(RULE, image=changed(joined().image, {}, (Span(CRC_PLACE, 4),))),
    "another digest in the record": lambda: apply(RULE, image=with_record(rest_sha256=bytes(32))),
    "a build that is recorded shorter": lambda: apply(RULE, image=with_entry(1, stored_size=0x80)),
}

KEEPS = {
    "a join": lambda: apply(RULE),
    "the image alone": lambda: apply(RULE, handed={}),
    "fill of a raw binary": lambda: apply(RULE, image=filled(joined().image, Span(FLASH, 0x4000))),
    "bytes in the seal and in a reserved area": lambda: apply(
        RULE, SEALED, changed(joined(SEALED).image, {SEAL: b"seal", SPARE: b"settings"})
    ),
    **on_the_gauge(RULE, alone=True),
}


def test_the_digest_is_that_of_hashlib() -> None:
    """The record's digest is the SHA-256 over flash in address order less builds, record and spare."""
    image = joined().image
    record = record_of(image)
    flash = image.read(Span(FLASH, 0x4000), 0xFF)
    holes = [(entry.stored_start - FLASH, entry.stored.end - FLASH) for entry in record.builds]
    holes += [(RECORD - FLASH, RECORD - FLASH + record_size(2)), (SPARE - FLASH, SPARE - FLASH + 0x800)]
    kept = bytes(
        byte for offset, byte in enumerate(flash) if not any(start <= offset < end for start, end in holes)
    )
    assert record.rest_sha256 == hashlib.sha256(kept).digest()


def test_two_banks_that_touch_keep_their_own_erased_bytes() -> None:
    """Unwritten bytes of a second bank, right behind the first, count as that bank's erased byte."""
    bank = '[memory.bank]\nkind = "flash"\nstart = 0x1000_4000\nsize = "1 KiB"\nerased_byte = 0x00\n\n'
    read = layout({"[memory.ram]": f"{bank}[memory.ram]"})
    image = joined(read).image
    assert apply(RULE, read, changed(image, {0x1000_4000: bytes(0x400)})).status == "holds"
    assert apply(RULE, read, changed(image, {0x1000_4000: b"\xff"})).status == "broken"


def test_it_tells_where_to_look() -> None:
    """The finding lists the first runs outside the builds that are not erased, and that there are more."""
    (finding,) = findings(BREAKS["a changed checksum"]())
    assert finding.where == "flash outside the builds, where not erased: only stamps and checksums"
    (finding,) = findings(BREAKS["the checksum taken away"]())
    assert finding.where == "flash outside the builds, where not erased: only stamps and checksums"
    (finding,) = findings(BREAKS["many runs"]())
    assert str(Span(FLASH + 0x3000, 1)) in finding.where
    assert finding.where.endswith(", ...")


def test_gaps_filled_with_zeros_are_recognised() -> None:
    """A converter's fill of 0x00 is named with what undoes it; with one more byte changed it is not the cause."""
    zeros = filled(joined().image, Span(FLASH, 0x2800), 0x00)
    (finding,) = findings(apply(RULE, image=zeros))
    assert "objcopy --gap-fill 0xFF" in finding.next_step
    (finding,) = findings(apply(RULE, image=changed(zeros, {FLASH + 0x3F00: b"\x01"})))
    assert finding.next_step == ""


def test_another_layout_is_not_the_images_fault() -> None:
    """With a layout that sets aside more flash the rest is another; the rule about layouts reports it."""
    area = 'settings = { memory = "flash", offset = "12 KiB", size = "1 KiB", purpose = "reserved" }'
    other = layout(
        {"[build.station]": f"[area.settings]\n{area[13:-2].replace(', ', chr(10))}\n[build.station]"}
    )
    result = apply(RULE, other, joined().image)
    assert result.findings == ()
    assert "joined with another layout" in result.not_checked[0].reason
    assert apply("record-of-this-layout", other, joined().image).status == "broken"


def test_an_unsound_record_is_not_checked() -> None:
    """Without a sound record there is no digest to compare with."""
    result = apply(RULE, image=changed(joined().image, {RECORD: b"X"}))
    assert [missing.reason for missing in result.not_checked] == ["the record is not sound"]
