"""Data that a device copies, which is given its addresses, compiled by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair, said_by
from small_device import findings

from gemel.checking.rules.initialised_data_copied import TABLE_SIZE

RULE = "initialised-data-copied"
WITH = (("gcc", "v6", "-Os"), ("gcc", "v7", "-O0"), ("clang", "v8", "-O2"))
SECTION = (
    "  .bss (NOLOAD)",
    "  .fast : { fast_start = .; *(.fast) } > ram AT > code\n  fast_load = LOADADDR(.fast);\n  .bss (NOLOAD)",
)
FAST = (
    '__attribute__((section(".fast"), used)) volatile uint32_t fast[8] = { 1, 2, 3, 4, 5, 6, 7, 8 };'
    "extern uint32_t fast_load[], fast_start[];"
)
TABLE = (
    "struct copy {{ uint32_t more[{}]; const uint32_t *from; uint32_t *to; uint32_t words; }}; "
    "__attribute__((used)) const struct copy table = {{ {{ 0 }}, fast_load, fast_start, 8 }};"
)
GIVEN = "IO(0x30) = (uint32_t)&table; "
REGISTERS = "IO(0x30) = (uint32_t)fast_load; IO(0x34) = (uint32_t)fast_start; IO(0x38) = 8; "
LAST = TABLE_SIZE // 4 - 2
BREAKS = {
    "nobody copies it": (FAST, ""),
    "a table that nothing has": (FAST + TABLE.format(1), ""),
    "the addresses far into what the device is given": (FAST + TABLE.format(LAST + 1), GIVEN),
    "the source alone": (FAST, REGISTERS.replace("fast_start", "stack_top")),
}
KEEPS = {
    "by registers": (FAST, REGISTERS),
    "by a table": (FAST + TABLE.format(1), GIVEN),
    "by the last words of a table": (FAST + TABLE.format(LAST), GIVEN),
}


def _said(case: tuple[str, str], with_what: tuple[str, str, str]) -> tuple[int, int]:
    before, main = case
    edits = (
        ("/*BEFORE*/", before),
        ("/*MAIN*/", f"{RELEASE} {main} level = fast[1] + level;"),
        SECTION,
    )
    builds = pair(station=compiled("station", *with_what, edits), sampler=compiled("sampler", *with_what))
    result = said_by(RULE, layout_for(with_what[1]), builds)
    return len(findings(result)), len(
        [each for each in result.not_checked if "a device is given" in each.reason]
    )


@pytest.mark.parametrize("with_what", WITH, ids="-".join)
@pytest.mark.parametrize("case", BREAKS)
def test_data_that_nobody_copies(case: str, with_what: tuple[str, str, str]) -> None:
    """A table in flash alone does nothing."""
    assert _said(BREAKS[case], with_what) == (1, 0)


@pytest.mark.parametrize("with_what", WITH, ids="-".join)
@pytest.mark.parametrize("case", KEEPS)
def test_data_that_a_device_may_copy(case: str, with_what: tuple[str, str, str]) -> None:
    """It is given both addresses, or a table with them."""
    assert _said(KEEPS[case], with_what) == (0, 1)
