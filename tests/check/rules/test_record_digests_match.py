"""``record-digests-match``: bytes of a build that are not those the record was made for."""

from __future__ import annotations

import pytest
from gauge_rules import on_the_gauge
from image_edits import changed, filled
from record_edits import with_entry
from small_device import FLASH, RECORD, SAMPLER, STATION, apply, findings, joined

from gemel.spans import Span

RULE = "record-digests-match"

BREAKS = {
    "a byte of code": lambda: apply(RULE, image=changed(joined().image, {SAMPLER + 0x90: b"\0"}), handed={}),
    "a byte of each build": lambda: apply(
        RULE, image=changed(joined().image, {SAMPLER + 0x90: b"\0", STATION + 0x90: b"\0"}), handed={}
    ),
    "a byte of a build, and a checksum outside of builds": lambda: apply(
        RULE, image=changed(joined().image, {SAMPLER + 0x90: b"\0", STATION + 0xFFC: bytes(4)}), handed={}
    ),
    "a build that is not there": lambda: apply(
        RULE, image=changed(joined().image, {}, (Span(SAMPLER, 0x1000),)), handed={}
    ),
    "another CRC in the record": lambda: apply(RULE, image=with_entry(0, crc32=0x1234_5678)),
    "another SHA-256 in the record": lambda: apply(RULE, image=with_entry(1, sha256=bytes(32))),
    "another end in the record": lambda: apply(RULE, image=with_entry(1, stored_size=0x100)),
    "a build outside flash": lambda: apply(RULE, image=with_entry(1, stored_start=0x8000_0000)),
}

KEEPS = {
    "a join": lambda: apply(RULE),
    "the image alone": lambda: apply(RULE, handed={}),
    "fill of a raw binary": lambda: apply(RULE, image=filled(joined().image, Span(FLASH, 0x4000))),
    "another core in the record": lambda: apply(RULE, image=with_entry(1, core="nobody")),
    **on_the_gauge(RULE, alone=True),
}


def test_only_the_changed_build_is_named() -> None:
    """A changed byte of the sampler breaks its digests and leaves the station's right."""
    result = BREAKS["a byte of code"]()
    (finding,) = findings(result)
    assert finding.parties == ("sampler", "sampler", "record")
    assert [held.where for held in result.holds] == ["build station"]


def test_an_unsound_record_is_not_checked() -> None:
    """Digests of a record that cannot be trusted are not compared."""
    result = apply(RULE, image=changed(joined().image, {RECORD: b"X"}))
    assert [missing.reason for missing in result.not_checked] == ["the record is not sound"]
    assert result.status == "not checked"


@pytest.mark.parametrize("size", [0xFFFF_FFFF - 0x2000_0000, 0x4001])
def test_a_span_beyond_flash_is_not_digested(size: int) -> None:
    """A record that claims more than the flash holds is a finding at once, not gigabytes of work."""
    image = with_entry(1, stored_start=0x2000_0000, stored_size=size)
    assert [finding.what for finding in findings(apply(RULE, image=image))] == [
        "the record has build sampler outside flash"
    ]
