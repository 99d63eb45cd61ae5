"""A secondary that is linked for the addresses at which the primary sees its flash, compiled here by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair
from small_device import TODAY

from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join

VIEW = ("write_unit = 16\n", "write_unit = 16\nviews = { sampler = 0x0800_0000 }\n")
SETS_TABLE = ("/*MAIN*/", "*(volatile uint32_t *)0xE000ED08u = (uint32_t)vectors;")
DECLARED = ("int main(void)", "extern const void *const vectors[24]; int main(void)")
FOR_ITS_VIEW = ("ORIGIN = FLASH, LENGTH", "ORIGIN = 0x08008000, LENGTH")
STORED = (
    (
        "code (rx) : ORIGIN = 0x08008000",
        "store (r) : ORIGIN = FLASH, LENGTH = 32K\n  code (rx) : ORIGIN = 0x08008000",
    ),
    ("> code\n  .text", "> code AT > store\n  .text"),
    ("> code\n  .ARM", "> code AT > store\n  .ARM"),
    ("*(.ARM.exidx*) } > code", "*(.ARM.exidx*) } > code AT > store"),
    ("> ram AT > code", "> ram AT > store"),
    ("data_load = LOADADDR(.data)", "data_load = LOADADDR(.data) - 0x10008000 + 0x08008000"),
)


@pytest.mark.parametrize(
    "build", [("gcc", "v7", "-Os"), ("clang", "v8", "-O1"), ("gcc", "v6", "-O0")], ids="-".join
)
@pytest.mark.parametrize(
    ("script", "errors"),
    [((), ["reset-handler-in-code"]), ((FOR_ITS_VIEW,), []), ((FOR_ITS_VIEW, *STORED), [])],
    ids=["the primary's", "its own", "its own, stored at the primary's"],
)
def test_the_view_that_a_build_is_linked_for(
    script: tuple[tuple[str, str], ...], errors: list[str], build: tuple[str, str, str]
) -> None:
    """One error, which names both addresses; what code sets and copies by them follows from it."""
    builds = pair(
        station=compiled("station", *build, (("/*MAIN*/", RELEASE.replace("0x10008000", "0x08008000")),)),
        sampler=compiled("sampler", *build, (SETS_TABLE, DECLARED, *script)),
    )
    read = layout_for(build[1], VIEW)
    found = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY).open_findings(
        "error"
    )
    assert [rule.name for rule, _ in found] == errors
    for _, finding in found:
        assert (
            finding.next_step == "core sampler sees 0x1000_8000 at 0x0800_8000: link build sampler for that"
        )
