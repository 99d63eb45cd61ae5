"""``areas-on-write-units``: ends of areas inside a write unit of flash."""

from __future__ import annotations

from gauge_builds import gauge
from image_edits import holding
from small_device import apply, findings, layout

RULE = "areas-on-write-units"
NOTHING = holding({})
SPARE = 'spare = { memory = "flash", offset = "8 KiB", size = "2 KiB"'
RECORD = 'record = { memory = "flash", offset = "10 KiB", size = "1 KiB"'


def _with(replace):
    return apply(RULE, layout(replace), NOTHING, {})


BREAKS = {
    "an end inside a unit": lambda: _with({SPARE: SPARE.replace('"2 KiB"', "2044")}),
    "a start inside a unit": lambda: _with(
        {SPARE: SPARE.replace('"8 KiB", size = "2 KiB"', "8196, size = 2044")}
    ),
    "both, in two areas": lambda: _with(
        {
            SPARE: SPARE.replace('"2 KiB"', "2044"),
            RECORD: 'record = { memory = "flash", offset = 10236, size = 1028',
        }
    ),
    "start and end of one area": lambda: _with(
        {SPARE: SPARE.replace('"8 KiB", size = "2 KiB"', "8196, size = 2040")}
    ),
    "a write unit of 2 KiB": lambda: _with(
        {"write_unit = 8": "write_unit = 2048", 'erase_block = "1 KiB"\n': ""}
    ),
}

KEEPS = {
    "write unit 8": lambda: apply(RULE, image=NOTHING, handed={}),
    "write unit 1 and odd ends": lambda: _with(
        {"write_unit = 8": "write_unit = 1", SPARE: SPARE.replace('"2 KiB"', "2047")}
    ),
    "one unit longer": lambda: _with({SPARE: SPARE.replace('"2 KiB"', "2040")}),
    "ends of RAM areas": lambda: _with({'size = "3 KiB", purpose = "code"': 'size = 3071, purpose = "code"'}),
    "two-banks": lambda: apply(RULE, gauge("two-banks"), NOTHING, {}),
}


def test_the_area_in_the_same_unit_is_a_party() -> None:
    """Two areas that meet inside a unit name each other; an end beside free space names nobody."""
    first, second = findings(BREAKS["both, in two areas"]())
    assert first.parties == ("spare", "flash", "record")
    assert second.parties == ("record", "flash", "spare")
    (alone,) = findings(BREAKS["a start inside a unit"]())
    assert alone.parties == ("spare", "flash")


def test_without_flash_there_is_nothing_to_check() -> None:
    """Rom is not written, so its areas may end anywhere."""
    result = _with({'kind = "flash"': 'kind = "rom"', SPARE: SPARE.replace('"2 KiB"', "2044")})
    assert result.not_applicable[0].reason == "the layout has no area in flash"
