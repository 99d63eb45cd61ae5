"""Builds and images at an address at which the device may show its flash too, and the layout does not say so."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair
from small_device import TODAY

from gemel.builds.build import Build
from gemel.checking.runner import check
from gemel.errors import GemelError
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.outcomes import Finding
from gemel.placement.placing import ALIAS_STEP

ALIASED = (("write_unit = 16\n", "write_unit = 16\naliases = [0x0000_0000]\n"),)
WITH = (("gcc", "v6", "-Os"), ("gcc", "v7", "-O2"), ("clang", "v8", "-O1"))
NOT_THERE = (
    "the image is not where memory flash is, but maybe at an alias that the layout does not have",
    "move it by {} bytes (objcopy --change-addresses); if the device shows the memory at {} too",
)


def _builds(build: tuple[str, str, str], *edits: tuple[str, str], after: str = "") -> dict[str, Build]:
    return pair(
        station=compiled("station", *build, (("/*MAIN*/", RELEASE), *edits), after),
        sampler=compiled("sampler", *build),
    )


def _found(distance: int, build: tuple[str, str, str], *, with_builds: bool) -> list[Finding]:
    read, builds = layout_for(build[1]), _builds(build)
    moved = SparseBytes()
    for address, data in join(read, builds).image.pieces():
        moved.write(address + distance, bytes(data))
    result = check(Inspection(read, moved, builds if with_builds else {}, disassemble=True), TODAY)
    return [finding for _, finding in result.open_findings("error")]


@pytest.mark.parametrize("build", WITH, ids="-".join)
@pytest.mark.parametrize("with_builds", [True, False])
@pytest.mark.parametrize(
    ("distance", "move", "start"),
    [(-0x1000_0000, "+0x10000000", "0x0000_0000"), (0x2000_0000, "-0x20000000", "0x3000_0000")],
)
def test_an_image_at_an_alias(
    distance: int, move: str, start: str, with_builds: bool, build: tuple[str, str, str]
) -> None:
    """One error, with by how much to move it, and what the layout may lack."""
    (finding,) = _found(distance, build, with_builds=with_builds)
    assert finding.what == NOT_THERE[0]
    assert finding.next_step.startswith(NOT_THERE[1].format(move, start))


def test_an_image_somewhere_else_is_at_no_alias() -> None:
    """A binary that was read at another address, by less than a device has between two windows."""
    for distance in (ALIAS_STEP // 2, 0x10_1000):
        (finding,) = _found(distance, WITH[1], with_builds=False)
        assert finding.what == "no byte of the image is in a memory that the layout has for it"


@pytest.mark.parametrize("build", WITH, ids="-".join)
@pytest.mark.parametrize("how", ["linked", "moved"])
def test_a_build_at_an_alias(how: str, build: tuple[str, str, str]) -> None:
    """It is refused with what the layout may lack; where the layout has the alias, all is well."""
    edits = (("code (rx) : ORIGIN = FLASH", "code (rx) : ORIGIN = FLASH - 0x10000000"),)
    builds = (
        _builds(build, *edits)
        if how == "linked"
        else _builds(build, after="arm-none-eabi-objcopy --change-section-lma *-0x10000000")
    )
    with pytest.raises(GemelError) as error:
        join(layout_for(build[1]), builds)
    (problem,) = error.value.problems
    assert problem.next_step.startswith("if the device shows memory flash at 0x0000_0000 too, add that")
    read = layout_for(build[1], *ALIASED)
    result = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)
    assert not result.open_findings("error")


def test_a_build_for_another_place_is_at_no_alias() -> None:
    """Its bytes would not be in its area at any window of the memory."""
    edits = (("code (rx) : ORIGIN = FLASH", "code (rx) : ORIGIN = FLASH - 0xFFF8000"),)
    with pytest.raises(GemelError) as error:
        join(layout_for("v7"), _builds(WITH[1], *edits))
    assert error.value.problems[0].next_step.startswith("correct the load address in the linker script, or")
