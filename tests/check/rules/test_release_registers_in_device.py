"""``release-registers-in-device``: registers of the release outside device memories."""

from __future__ import annotations

from gauge_rules import on_the_gauge
from small_device import apply, joined, layout

RULE = "release-registers-in-device"
CONTROL = '[memory.control]\nkind = "device"\nstart = 0x5000_0000\nsize = "4 KiB"\n'
RELEASE = """[core.sampler.release]
vector_register = 0x5000_0000
control_register = 0x5000_0004
release_mask = 0x1
release_value = 0x1
"""


def _with(changes):
    read = layout(changes)
    return apply(RULE, read, joined().image)


BREAKS = {
    "in no memory": lambda: _with({"vector_register = 0x5000_0000": "vector_register = 0x5001_0000"}),
    "not at a word": lambda: _with({"control_register = 0x5000_0004": "control_register = 0x5000_0006"}),
    "over the end of the registers": lambda: _with(
        {"control_register = 0x5000_0004": "control_register = 0x5000_0FFE"}
    ),
    "in RAM at another address": lambda: _with(
        {
            "views = { sampler = 0x3000_0000 }": "aliases = [0x2200_0000]",
            "vector_register = 0x5000_0000": "vector_register = 0x2200_0000",
        }
    ),
    "both": lambda: _with({CONTROL: CONTROL.replace("0x5000_0000", "0x4000_0000")}),
}
KEEPS = {
    "the small device": lambda: apply(RULE),
    "without builds": lambda: apply(RULE, handed={}),
    "at the end of the registers": lambda: _with(
        {"control_register = 0x5000_0004": "control_register = 0x5000_0FFC"}
    ),
    **on_the_gauge(RULE, alone=True),
}


def test_what_the_layout_leaves_out_is_told() -> None:
    """A layout without a release, or without any device registers, says what is missing."""
    without_release = _with({RELEASE: ""})
    assert [each.reason for each in without_release.not_checked] == [
        "the layout does not say how it is released"
    ]
    without_registers = _with({CONTROL: ""})
    assert [each.reason for each in without_registers.not_checked] == [
        "the layout declares no memory of kind device"
    ]
    kinds = [each.kind for result in (without_release, without_registers) for each in result.not_checked]
    assert kinds == ["layout", "layout"]
