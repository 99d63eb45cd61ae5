"""Faults of compiled pairs that several rules could each find something of: one finding says what caused it."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair
from small_device import TODAY, findings

from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join

WITH = (("gcc", "v6", "-Os"), ("clang", "v8", "-O2"), ("gcc", "v7", "-O1"))
LINK = ("  /DISCARD/", "  .shared (NOLOAD) : { KEEP(*(.shared.a)) KEEP(*(.shared.b)) } > link\n  /DISCARD/")
MAIN = ("/*MAIN*/", RELEASE)
CONTRACT = (
    "[build.sampler]",
    '[contract.link]\narea = "link"\nsymbols = ["frames", "bell"]\ntypes = ["struct frames"]\n\n[build.sampler]',
)
BOOT = (
    "[build.sampler]",
    '[contract.boot]\narea = "link"\nboot_symbol = { build = "station", symbol = "sampler_at" }\n\n[build.sampler]',
)
OBJECTS = (
    "struct frames { uint32_t words[6]; STAMP; }; struct frames frames __attribute__((section("
    '".shared.FIRST"), used)); volatile uint32_t bell __attribute__((section(".shared.SECOND"), used));'
)


def _objects(stamp: str = "uint64_t stamp", first: str = "a", second: str = "b") -> tuple[str, str]:
    text = OBJECTS.replace("STAMP", stamp).replace("FIRST", first).replace("SECOND", second)
    return "/*BEFORE*/", text


def _said(
    read_changes: tuple[tuple[str, str], ...],
    station: tuple[tuple[str, str], ...],
    sampler: tuple[tuple[str, str], ...],
    with_what: tuple[str, str, str],
    more: str = "",
) -> list[tuple[str, str]]:
    """Rule and words of each finding; ``more`` are options for the sampler."""
    compiler, family, level = with_what
    builds = pair(
        station=compiled("station", compiler, family, f"{level} -g", (MAIN, *station)),
        sampler=compiled("sampler", compiler, family, f"{level} -g {more}", sampler),
    )
    read = layout_for(family, *read_changes)
    result = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)
    return [(each.rule.name, found.what) for each in result.results for found in findings(each)]


@pytest.mark.parametrize("with_what", WITH)
def test_what_is_shared_in_another_order(with_what: tuple[str, str, str]) -> None:
    """Where alignment makes one side longer, too."""
    same, other = (LINK, _objects()), (LINK, _objects(first="b", second="a"))
    assert _said((CONTRACT,), same, same, with_what) == []
    ((rule, what),) = _said((CONTRACT,), same, other, with_what)
    assert (rule, "frames at different places" in what) == ("contract-symbols-agree", True)


@pytest.mark.parametrize("with_what", WITH)
def test_an_object_that_moves_as_its_type_is_aligned(with_what: tuple[str, str, str]) -> None:
    """What is in front of it stays, and the type is what differs."""
    behind = {"first": "b", "second": "a"}
    sides = [(LINK, _objects(stamp, **behind)) for stamp in ("uint64_t stamp", "uint32_t stamp[3]")]
    ((rule, what),) = _said((CONTRACT,), *sides, with_what)
    assert (rule, "lay out struct frames differently" in what) == ("contract-types-agree", True)


@pytest.mark.parametrize("with_what", WITH)
def test_a_boot_constant_that_nothing_uses(with_what: tuple[str, str, str]) -> None:
    """It is dropped at link, and no code writes the register that it is for."""
    constant = ("/*BEFORE*/", "const volatile uint32_t sampler_at = 0x10008000u;")
    used = ("IO(0x114) = 0x10008000u", "IO(0x114) = sampler_at")
    assert _said((BOOT,), (constant, used), (), with_what) == []
    never = ("IO(0x114) = 0x10008000u; ", "")
    ((rule, what),) = _said((BOOT,), (constant, never), (), with_what)
    assert (rule, "does not define sampler_at" in what) == ("boot-constant-agrees", True)


def test_a_build_for_another_processor() -> None:
    """One option of the compiler gives it floating point and DSP, neither of which its core has."""
    described = ("*(.comment) *(.ARM.attributes)", "*(.comment)")
    for compiler, unit in (("gcc", ""), ("clang", "-mfpu=fpv5-sp-d16 ")):
        option = f"-march=armv8-m.main+dsp+fp {unit}-mfloat-abi=hard"
        ((rule, _),) = _said((), (), (described,), (compiler, "v8", "-Os"), option)
        assert rule == "float-demands-fit-core"


@pytest.mark.parametrize("family", ["v6", "v7", "v8"])
@pytest.mark.parametrize("level", ["-Os", "-O3 -flto"])
def test_data_that_is_cleared_where_main_is_part_of_the_reset_handler(level: str, family: str) -> None:
    """Link-time optimisation leaves no function of that name; what the program changes later is no sign."""
    values = ("/*BEFORE*/", "volatile uint32_t values[32] = { 1, 2, 3, 4, 5, 6, 7, 8, 9, [31] = 32 };")
    reads = ("for (;;) turns += level;", "for (;;) { turns += values[turns & 31]; mark++; level++; }")
    over = ("for (volatile uint32_t *at = bss_start;", "for (volatile uint32_t *at = data_start;")
    with_what = ("gcc", family, level)
    assert _said((), (values, reads), (), with_what) == []
    ((rule, what),) = _said((), (values, reads, over), (), with_what)
    assert (rule, "clears what the image stores" in what) == ("start-clears-own-ram", True)
