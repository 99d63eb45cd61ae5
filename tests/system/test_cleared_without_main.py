"""Initialised data that start-up code clears, where no symbol ``main`` says where the start ends; compiled here."""

from __future__ import annotations

import pytest
from compiled_pairs import compiled, layout_for, pair, said_by
from small_device import findings

VALUES = "volatile uint32_t scale[8] = { 1000, 1003, 1007, 1012, 1018, 1025, 1033, 1042 };"
OWN_NAME = (("int main(void)", "void sample(void)"), ("main();", "sample();"))
FROM_DATA = ("{ bss_start = .;", "{ bss_start = ADDR(.data);")


@pytest.mark.parametrize(("compiler", "family", "level"), [("gcc", "v6", "-Os"), ("clang", "v8", "-O2")])
@pytest.mark.parametrize("has_main", [True, False])
@pytest.mark.parametrize(
    ("main", "script", "cleared"),
    [("", (FROM_DATA,), 1), ("", (), 0), ("scale[0] = 0; level = 0; turns = 0;", (), 0)],
    ids=["over data", "sound", "variables set to 0"],
)
def test_a_block_that_begins_before_cleared_data(
    main: str,
    script: tuple[tuple[str, str], ...],
    cleared: int,
    has_main: bool,
    compiler: str,
    family: str,
    level: str,
) -> None:
    """It wipes out what was copied just before; a few variables that the program sets to zero are none."""
    edits = (
        ("/*BEFORE*/", VALUES),
        ("/*MAIN*/", f"mark = scale[1]; {main}"),
        *script,
        *(() if has_main else OWN_NAME),
    )
    builds = pair(
        station=compiled("station", compiler, family, level),
        sampler=compiled("sampler", compiler, family, level, edits),
    )
    assert len(findings(said_by("start-clears-own-ram", layout_for(family), builds))) == cleared
