"""Files of a build's vector table alone, as a list of sections with one name gives them; made here by objcopy."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair
from small_device import TODAY

from gemel.checking.runner import RulesApplied, check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join

WITH = (("gcc", "v6", "-Os"), ("gcc", "v7", "-O2"), ("clang", "v8", "-O1"))


def _judged(core: str, options: str, build: tuple[str, str, str]) -> RulesApplied:
    cores: dict[str, tuple[tuple[str, str], ...]] = {"station": (("/*MAIN*/", RELEASE),), "sampler": ()}
    copy = {core: f"arm-none-eabi-objcopy {options}"}
    builds = pair(
        **{name: compiled(name, *build, edits, copy.get(name, "")) for name, edits in cores.items()}
    )
    read = layout_for(build[1])
    return check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)


@pytest.mark.parametrize("build", WITH, ids="-".join)
@pytest.mark.parametrize("kind", ["", "-O binary", "-O ihex", "-O srec"])
@pytest.mark.parametrize("core", ["station", "sampler"])
def test_a_file_of_the_vectors_alone_is_called_that(
    core: str, kind: str, build: tuple[str, str, str]
) -> None:
    """One error, of what the file is."""
    ((rule, finding),) = _judged(core, f"{kind} -j .vectors", build).open_findings("error")
    assert (rule.name, finding.what) == (
        "reset-handler-in-code",
        f"build {core} holds only its vector table",
    )
    assert finding.next_step.startswith("copy all sections")


@pytest.mark.parametrize("build", WITH, ids="-".join)
@pytest.mark.parametrize("kind", ["", "-O binary", "-O ihex"])
def test_vectors_and_code_are_a_build(kind: str, build: tuple[str, str, str]) -> None:
    """The sections of a list that lacks nothing with content."""
    given = f"{kind} -j .vectors -j .text -j .data -j .bss"
    assert not _judged("sampler", given, build).open_findings("error")


@pytest.mark.parametrize("build", WITH[:2], ids="-".join)
def test_a_file_that_ends_before_its_reset_handler(build: tuple[str, str, str]) -> None:
    """The next step names the end, and that the file may be cut."""
    first = (
        "/*BEFORE*/",
        "__attribute__((used)) uint32_t scaled(uint32_t by) { return by * turns + level; }",
    )
    whole = compiled("sampler", *build, (first,), "arm-none-eabi-objcopy -O binary")
    station = compiled("station", *build, (("/*MAIN*/", RELEASE),))
    reset = int.from_bytes(whole[4:8], "little") - 0x1000_8001
    builds = pair(station=station, sampler=whole[: reset & ~15])
    read = layout_for(build[1])
    result = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)
    ((rule, finding),) = result.open_findings("error")
    assert rule.name == "reset-handler-in-code"
    end = f"0x1000_{0x8000 + (reset & ~15) - 1:04X}"
    assert finding.next_step.startswith(f"the file ends at {end}: it may be cut, or lack sections")
