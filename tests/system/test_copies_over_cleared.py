"""Start-up code that copies on after its data, before or after it clears, compiled by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair, said_by
from small_device import findings

WITH = (("gcc", "v6", "-Os"), ("clang", "v8", "-O2"), ("gcc", "v7", "-O1"))
COPY = "for (volatile uint32_t *at = data_start; at < data_end;) *at++ = *from++;"
CLEAR = "for (volatile uint32_t *at = bss_start; at < bss_end;) *at++ = 0;"
MORE = COPY.replace("at < data_end", "at <= data_end")
SIZED = "for (uint32_t i = 0; i <= (uint32_t)(data_end - data_start); i++) data_start[i] = from[i];"
ORDERS = {
    "a word more, then": (f"{CLEAR} {MORE}", 1),
    "a word more by an index, then": (f"{CLEAR} {SIZED}", 1),
    "a word more, before": (f"{MORE} {CLEAR}", 0),
    "no more, then": (f"{CLEAR} {COPY}", 0),
    "no more, before": (f"{COPY} {CLEAR}", 0),
    "a word more, then, which is set": (f"{CLEAR} {MORE} bss_start[0] = 0;", 0),
    "an end that a state of the core decides": (
        f'{CLEAR} uint32_t state; __asm__ volatile("mrs %0, control" : "=r"(state)); '
        f"uint32_t *end = state ? 0 : data_end; {COPY.replace('at < data_end', 'at != end')}",
        0,
    ),
    "no more, then other words": (
        f"{CLEAR} {COPY} bss_start[0] = ((const volatile uint32_t *)0x10000000)[1];",
        0,
    ),
}


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", ORDERS)
def test_a_copy_that_goes_on(case: str, compiler: str, family: str, level: str) -> None:
    """It is a finding only where what it leaves behind is not cleared afterwards."""
    code, count = ORDERS[case]
    edits = (
        (f"{COPY}\n    {CLEAR}", code),
        ("/*MAIN*/", RELEASE),
        ("int main", "__attribute__((noinline)) int main"),
    )
    builds = pair(
        station=compiled("station", compiler, family, level, edits),
        sampler=compiled("sampler", compiler, family, level),
    )
    found = findings(said_by("start-copies-stored-data", layout_for(family), builds))
    assert len(found) == count
    assert all("4 bytes, which are not zero" in each.found for each in found)
