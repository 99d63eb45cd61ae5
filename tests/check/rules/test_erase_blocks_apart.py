"""``erase-blocks-apart``: neighbours in one erase block, and which may share one."""

from __future__ import annotations

import datetime

import layout_edits as edits
from gauge_builds import ARRANGEMENTS, gauge
from image_edits import holding
from small_device import apply, findings, layout

from gemel.checking.registry import rule_named
from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.spans import Span

RULE = "erase-blocks-apart"
NOTHING = holding({})


def _blocks(size, replace=None, add=""):
    read = layout({'erase_block = "1 KiB"': f'erase_block = "{size}"', **(replace or {})}, add)
    return apply(RULE, read, NOTHING, {})


SETTINGS = {
    "[area]\n": '[area]\nsettings = { memory = "flash", offset = "13 KiB", size = 512, purpose = "data" }\n'
    'log = { memory = "flash", offset = 0x3600, size = 512, purpose = "data" }\n'
}
WAIVED = """
[rules]
waive = [{ rule = "erase-blocks-apart", where = "sampler", reason = "never alone", until = 2027-06-30 }]
"""

BREAKS = {
    "two cores' builds": lambda: _blocks("8 KiB"),
    "a reserved area and the record": lambda: _blocks("4 KiB"),
    "a boot loader and the record": lambda: _blocks("4 KiB", edits.WITH_BOOT),
    "two areas that no build is stored in": lambda: _blocks("1 KiB", SETTINGS),
    "everything in one block": lambda: _blocks("16 KiB"),
}

KEEPS = {
    "blocks of 1 KiB": lambda: apply(RULE, handed={}, image=NOTHING),
    "record and seal in one block": lambda: _blocks("2 KiB"),
    "two areas of one build in one block": lambda: _blocks(
        "2 KiB",
        {
            **edits.ALSO_SPARE,
            'sampler-code = { memory = "flash", offset = "4 KiB"': 'sampler-code = { memory = "flash", '
            'offset = "12 KiB"',
            'station-code = { memory = "flash", offset = 0, size = "4 KiB"': "station-code = { memory = "
            '"flash", offset = 0, size = 8184',
            'spare = { memory = "flash", offset = "8 KiB", size = "2 KiB"': 'spare = { memory = "flash", '
            "offset = 8184, size = 2056",
        },
    ),
    "blocks smaller than every area": lambda: _blocks("64 B"),
    "in-place": lambda: apply(RULE, gauge("in-place"), NOTHING, {}),
    "copied": lambda: apply(RULE, gauge("copied"), NOTHING, {}),
    "two-banks": lambda: apply(RULE, gauge("two-banks"), NOTHING, {}),
}


def test_the_gauges_are_all_kept() -> None:
    """Every arrangement of the tide gauge is among the cases that keep the rule."""
    assert set(ARRANGEMENTS) <= set(KEEPS)


def test_neighbours_are_named_with_their_owners() -> None:
    """A finding names both areas, both builds, the memory and the block."""
    found = findings(BREAKS["two cores' builds"]())
    assert found[0].parties == ("station-code", "sampler-code", "flash", "station", "sampler")
    assert found[0].span == Span(0x1000_0000, 0x2000)


def test_all_areas_in_one_block_are_one_finding() -> None:
    """Four areas in one block are one finding, not one for each two; the seal is left to the record."""
    (finding,) = findings(BREAKS["everything in one block"]())
    assert finding.parties[:4] == ("station-code", "sampler-code", "spare", "record")
    assert finding.what.startswith("areas station-code, sampler-code, spare and record share")
    assert finding.what.endswith("erases the others")
    assert len(finding.lines) == 4


def test_unknown_erase_blocks_are_not_checked() -> None:
    """A flash memory without erase_block is reported with the key that it takes."""
    result = apply(RULE, layout({'erase_block = "1 KiB"\n': ""}), NOTHING, {})
    assert [(each.where, each.reason) for each in result.not_checked] == [
        ("memory flash", "needs erase_block in [memory.flash] of the layout")
    ]
    assert result.status == "not checked"


def test_rom_and_ram_are_no_matter_of_it() -> None:
    """Only flash is erased: with all areas in rom and RAM there is nothing to check."""
    result = apply(RULE, layout({'kind = "flash"': 'kind = "rom"'}), NOTHING, {})
    assert result.not_applicable[0].reason == "the layout has no area in flash"


def test_a_waiver_for_one_pair_covers_no_other() -> None:
    """A waiver that names the sampler accepts the pairs it is in, and no others."""
    read = layout({'erase_block = "1 KiB"': 'erase_block = "16 KiB"'}, WAIVED)
    rule = rule_named(RULE)
    assert rule is not None
    result = check(Inspection(read, NOTHING), datetime.date(2026, 11, 24), [rule]).results[0]
    assert [judged.waiver is not None for judged in result.findings] == [True, True, False]
    assert result.status == "broken"
