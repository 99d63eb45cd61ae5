"""``rollback-not-lower``: an image older than the command line allows."""

from __future__ import annotations

import pytest
from image_edits import changed, filled
from layout_edits import NO_RECORD
from record_edits import with_record
from sealed_images import of, previous, sealed_layout, unsealed
from small_device import FLASH, RECORD, findings, joined, layout

from gemel.image.sparse import SparseBytes
from gemel.inspection.previous import previous_of
from gemel.record.record import RecordError
from gemel.spans import Span

RULE = "rollback-not-lower"
OTHER_PRODUCT = sealed_layout(product="lock-gauge")


def older(rollback: int, **values: object) -> object:
    """The record of an image of that counter."""
    return previous(with_record(unsealed(), rollback=rollback, **values))


BREAKS = {
    "below --at-least": lambda: of(RULE, unsealed(), at_least=8),
    "far below --at-least": lambda: of(RULE, unsealed(), at_least=0xFFFF_FFFF),
    "below the previous image": lambda: of(RULE, unsealed(), previous=older(8)),
    "an older patch of the same counter": lambda: of(RULE, unsealed(), previous=older(7, patch=0xFFFF_FFFF)),
    "an older version of the same counter": lambda: of(
        RULE, unsealed(), previous=older(7, major=9, minor=0, patch=0)
    ),
    "below both": lambda: of(RULE, unsealed(), at_least=9, previous=older(10)),
    "previous image of another product": lambda: of(
        RULE, unsealed(), previous=previous(unsealed(OTHER_PRODUCT), read=OTHER_PRODUCT)
    ),
    "previous image for another vendor": lambda: of(
        RULE, unsealed(), previous=older(0, vendor_id=None, class_id=None)
    ),
    "an unsound record": lambda: of(RULE, changed(unsealed(), {RECORD: b"X"}), at_least=1),
    "no record in the layout": lambda: of(RULE, joined().image, read=layout(NO_RECORD), at_least=0),
}

KEEPS = {
    "at the lowest allowed": lambda: of(RULE, unsealed(), at_least=7),
    "above the lowest allowed": lambda: of(RULE, unsealed(), at_least=0),
    "the same as the previous image": lambda: of(RULE, unsealed(), previous=older(7)),
    "a later version of the same counter": lambda: of(
        RULE, unsealed(), previous=older(7, major=0, minor=9, patch=9)
    ),
    "an older version with a higher counter": lambda: of(RULE, unsealed(), previous=older(6, major=9)),
    "above the previous image": lambda: of(RULE, unsealed(), previous=older(0)),
    "both": lambda: of(RULE, unsealed(), at_least=7, previous=older(6)),
}


def test_nothing_asked_is_not_checked() -> None:
    """Without --at-least and --previous there is nothing to compare with."""
    result = of(RULE, unsealed())
    assert [missing.reason for missing in result.not_checked] == ["needs --at-least or --previous"]


def test_the_previous_record_is_found_where_it_was() -> None:
    """An older image may have had its record elsewhere; its only sound record is taken, wherever it lies."""
    image = unsealed()
    data = image.read(Span(RECORD, 0x400), 0xFF)
    moved = changed(image, {RECORD: b"\xff" * 0x400, FLASH + 0x3800: data})
    assert previous(moved).record.rollback == 7
    assert findings(of(RULE, image, previous=previous(moved))) == []


def test_the_areas_record_comes_before_others() -> None:
    """A second record elsewhere does not stand in for the one in the record's area."""
    image = unsealed()
    second = with_record(image, rollback=99).read(Span(RECORD, 0x400), 0xFF)
    assert previous(changed(image, {FLASH + 0x3800: second})).record.rollback == 7


@pytest.mark.parametrize("case", ["none", "damaged", "two elsewhere"])
def test_a_previous_image_without_its_record_is_an_error(case: str) -> None:
    """What cannot be compared with is refused, whatever the image under check holds."""
    image = unsealed()
    record = image.read(Span(RECORD, 0x400), 0xFF)
    broken = {
        "none": SparseBytes(),
        "damaged": changed(image, {RECORD + 30: b"?"}),
        "two elsewhere": changed(
            filled(image, Span(FLASH, 0x4000)),
            {RECORD: b"\xff" * 0x400, FLASH + 0x3000: record, FLASH + 0x3800: record},
        ),
    }[case]
    with pytest.raises(RecordError, match=r"older\.hex: the previous image has") as caught:
        previous_of(sealed_layout().layout, broken, "older.hex")
    assert caught.value.problems[0].expected == "one sound record"
    assert caught.value.problems[0].found == ("2 records" if case == "two elsewhere" else "none")
