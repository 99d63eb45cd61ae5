"""Addresses that a primary gives a secondary by what a device answers, compiled here by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import compiled, layout_for, pair, said_by
from small_device import findings

from gemel.inspection.cores.code_settings import ANSWERS, FEW

BEFORE, MAIN = "/*BEFORE*/", "/*MAIN*/"
HERE = "static const volatile uint32_t gate_entry = 0x00808000u;"
IN_RAM = "static volatile uint32_t gate_entry = 0x00808000u;"
AND_THEN = "IO(0x24) |= 1u;"
TABLE = "static const uint32_t places[8] = { 0x820000u, 0x828000u, 0x808000u, 0x830000u, %s };"
SOUND = {
    "one of two, both loaded in one if-then block": (
        IN_RAM,
        "IO(0x20) = (IO(0x900) & 4u) ? 0x1FFF0000u : gate_entry;",
    ),
    "a second slot by an offset": (HERE, "IO(0x20) = gate_entry + ((IO(0x900) & 1u) ? 0x8000u : 0u);"),
    "one of three by a switch": (
        HERE,
        "switch (IO(0x900) & 3u) { case 0: IO(0x20) = gate_entry; break; case 1: IO(0x20) = 0x1FFF0000u; break; "
        "default: IO(0x20) = 0x820000u; }",
    ),
    "one of eight in a table, by three bits": (
        TABLE % "0x838000u, 0x818000u, 0x810000u, 0x81C000u",
        "IO(0x20) = places[IO(0x900) >> 13 & 7u];",
    ),
    "the slot that its header says": (
        "",
        "const volatile uint32_t *at = (const volatile uint32_t *)(0x808000u + (IO(0x900) & 1u) * 0x8000u); "
        "if (at[1] == 0xFFFFFFFFu) at = (const volatile uint32_t *)0x808000u; IO(0x20) = (uint32_t)at;",
    ),
    "any of sixteen places": ("", "IO(0x20) = 0x820000u + (IO(0x900) & 15u) * 0x1000u;"),
    "zero before": (HERE, "IO(0x20) = 0; IO(0x24) &= ~1u; IO(0x20) = gate_entry;"),
}
FAULTS = {
    "one of two, neither right": (
        "static volatile uint32_t gate_entry = 0x00809000u;",
        "IO(0x20) = (IO(0x900) & 4u) ? 0x1FFF0000u : gate_entry;",
    ),
    "one of three, none right": (
        "",
        "switch (IO(0x900) & 3u) { case 0: IO(0x20) = 0x809000u; break; case 1: IO(0x20) = 0x1FFF0000u; break; "
        "default: IO(0x20) = 0x820000u; }",
    ),
    "one of eight, none right": (
        TABLE.replace("0x808000u", "0x809000u") % "0x838000u, 0x818000u, 0x810000u, 0x81C000u",
        "IO(0x20) = places[IO(0x900) >> 13 & 7u];",
    ),
}
WITH = (
    ("gcc", "v6", "-Os"),
    ("gcc", "v7", "-O2"),
    ("gcc", "v7", "-O0"),
    ("clang", "v8", "-O2"),
    ("clang", "v6", "-O1"),
)


def _weir(case: tuple[str, str], compiler: str, family: str, level: str) -> bytes:
    before, main = case
    return compiled("weir", compiler, family, level, ((BEFORE, before), (MAIN, main + AND_THEN)))


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", SOUND)
def test_one_of_the_ways_gives_the_table(case: str, compiler: str, family: str, level: str) -> None:
    """The others may be slots, a ROM, or nothing before that."""
    builds = pair(
        weir=_weir(SOUND[case], compiler, family, level), gate=compiled("gate", "gcc", family, "-Os")
    )
    assert not findings(said_by("release-value-agrees", layout_for(family), builds))
    for with_builds in (True, False) if "sixteen" not in case else ():
        assert not findings(
            said_by("primary-holds-vector-address", layout_for(family), builds, with_builds=with_builds)
        )


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", FAULTS)
def test_none_of_the_ways_gives_the_table(case: str, compiler: str, family: str, level: str) -> None:
    """Each address that code may give is shown, and no other."""
    builds = pair(
        weir=_weir(FAULTS[case], compiler, family, level), gate=compiled("gate", "gcc", family, "-Os")
    )
    (finding,) = findings(said_by("release-value-agrees", layout_for(family), builds))
    shown = " ".join((finding.found, *finding.lines))
    count = int({"two": 2, "three": 3, "eight": 8}[case.split()[2].strip(",")])
    assert "0x0080_9000" in shown
    assert shown.count("0x") >= min(count, 3)


def test_answers_hold_every_value_of_three_bits_anywhere() -> None:
    """Fields of up to three bits take all their values, and fewer than FEW + 1; larger ones more."""
    for width in range(1, 7):
        for shift in range(33 - width):
            values = {answer >> shift & (1 << width) - 1 for answer in ANSWERS}
            assert len(values) == 1 << width if width <= 3 else len(values) > FEW, (width, shift)
