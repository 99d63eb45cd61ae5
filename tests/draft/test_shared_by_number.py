"""RAM of one build that another one's code has the address of as a number, compiled here by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, pair
from small_device import TODAY

from gemel.checking.runner import check
from gemel.draft.document import document
from gemel.draft.drafting import draft
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import read_layout

KEPT = (
    ("/*BEFORE*/", '__attribute__((section(".exchange"))) volatile uint32_t exchange[16];'),
    ("/*MAIN*/", RELEASE + "exchange[1] = 7;"),
    ("  /DISCARD/", "  .exchange (NOLOAD) : { *(.exchange) } > link\n  /DISCARD/"),
)


@pytest.mark.parametrize(
    "build", [("gcc", "v6", "-Os"), ("clang", "v8", "-O1"), ("gcc", "v7", "-O0")], ids="-".join
)
@pytest.mark.parametrize(
    ("use", "count"),
    [
        ("((volatile uint32_t *)0x20004000u)[2] = turns;", 1),
        ("turns = ((volatile uint32_t *)0x20004000u)[1];", 1),
        ("turns = 0x20004000u;", 0),
    ],
)
def test_ram_that_the_other_core_has_a_number_of_is_shared(
    use: str, count: int, build: tuple[str, str, str]
) -> None:
    """Its code loads from there or stores there; a number alone says nothing."""
    builds = pair(
        station=compiled("station", *build, KEPT), sampler=compiled("sampler", *build, (("/*MAIN*/", use),))
    )
    drafted = draft(builds)
    assert [each.builds for each in drafted.shared] == [("station", "sampler")] * count
    read = read_layout(document(drafted, {}).encode(), "draft.toml")
    image = join(read, builds).image
    result = check(Inspection(read, image, builds, disassemble=True), TODAY)
    assert not result.open_findings("error")
