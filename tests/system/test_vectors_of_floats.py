"""Floating-point vector instructions on a core without them; compiled here by GCC."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair
from small_device import TODAY

from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join

VECTORS = "-O3 -ffast-math -march=armv8.1-m.main+mve.fp+fp.dp -mfloat-abi=hard"
OF_STATION = 'architecture = "armv8-m.main"\ninterrupts = 8\nram = ["station-ram"]'
LOOP = "float low[32], high[32]; void scale(void) { for (int at = 0; at < 32; at++) low[at] += high[at] * 2.0f; }"
ENABLE = '*(volatile uint32_t *)0xE000ED88u |= 0xFu << 20; __asm__ volatile("dsb\\n isb"); scale();'


@pytest.mark.parametrize(
    ("extensions", "broken"),
    [
        ('"fp", "fp-double", "dsp", "mve", "mve-fp"', []),
        ('"fp", "fp-double", "dsp", "mve"', ["extension-demands-fit-core"]),
        ('"fp", "fp-double", "dsp"', ["extension-demands-fit-core"]),
    ],
)
def test_what_a_build_demands_is_the_cause_of_its_instructions(extensions: str, broken: list[str]) -> None:
    """The attributes say it once; the instructions follow."""
    whole = OF_STATION.replace("v8-m", "v8.1-m").replace(
        "interrupts", f"extensions = [{extensions}]\ninterrupts"
    )
    edits = (("/*BEFORE*/", LOOP), ("/*MAIN*/", ENABLE + RELEASE), (" *(.ARM.attributes)", ""))
    builds = pair(
        station=compiled("station", "gcc", "v8", VECTORS, edits),
        sampler=compiled("sampler", "gcc", "v8", "-Os"),
    )
    read = layout_for("v8", (OF_STATION, whole))
    result = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)
    assert [each.rule.name for each in result.results for _ in each.findings] == broken
