"""Builds that outgrew their area, compiled: how much is too large is said, and nothing of what they reach into."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair

from gemel.errors import JoinRefused
from gemel.joining.pipeline import join

DATA = (
    ("/*BEFORE*/", "volatile uint8_t levels[33000] = { 1, 2, 3, [32999] = 7 };"),
    ("/*MAIN*/", f"{RELEASE} turns += levels[turns];"),
    ("ORIGIN = FLASH, LENGTH = 32K", "ORIGIN = FLASH, LENGTH = 64K"),
    ("LENGTH = 7K", "LENGTH = 64K"),
)


@pytest.mark.parametrize(
    ("compiler", "family"), [("gcc", "v6"), ("clang", "v7"), ("gcc", "v8"), ("clang", "v8")]
)
def test_by_how_much_a_build_is_too_large(compiler: str, family: str) -> None:
    """One problem: the bytes beyond the area, and the area of the other build that they fall into."""
    station = compiled("station", compiler, family, "-Os", DATA)
    builds = pair(station=station, sampler=compiled("sampler", compiler, family, "-Os"))
    size = max(each.load_address + len(each.data) for each in builds["station"].stored) - 0x1000_0000
    with pytest.raises(JoinRefused) as refused:
        join(layout_for(family), builds)
    (problem,) = refused.value.problems
    said = f"{problem.what}; {problem.found}; {problem.expected}; {problem.next_step}"
    assert f"{size - 0x8000:,} bytes too large" in said
    assert "sampler-code" in said
    assert "copy" not in said
