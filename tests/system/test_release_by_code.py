"""Addresses that a primary gives a secondary by what a device answers, compiled here by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import compiled, layout_for, pair, said_by
from small_device import findings

from gemel.inspection.cores.code_settings import ANSWERS, FEW

BEFORE, MAIN = "/*BEFORE*/", "/*MAIN*/"
HERE = "static const volatile uint32_t sampler_entry = 0x10008000u;"
IN_RAM = "static volatile uint32_t sampler_entry = 0x10008000u;"
AND_THEN = "IO(0x118) &= ~2u;"
LARGE = ('size = "64 KiB"', 'size = "256 KiB"')
"""Flash that holds what no area does."""

TABLE = "static const uint32_t places[8] = { 0x10020000u, 0x10028000u, 0x10008000u, 0x10030000u, %s };"
SOUND = {
    "one of two, both loaded in one if-then block": (
        IN_RAM,
        "IO(0x114) = (IO(0x900) & 4u) ? 0x1FFF0000u : sampler_entry;",
    ),
    "a second slot by an offset": (HERE, "IO(0x114) = sampler_entry + ((IO(0x900) & 1u) ? 0x8000u : 0u);"),
    "one of three by a switch": (
        HERE,
        "switch (IO(0x900) & 3u) { case 0: IO(0x114) = sampler_entry; break; case 1: IO(0x114) = 0x1FFF0000u; break; "
        "default: IO(0x114) = 0x10020000u; }",
    ),
    "one of eight in a table, by three bits": (
        TABLE % "0x10038000u, 0x10018000u, 0x10010000u, 0x1001C000u",
        "IO(0x114) = places[IO(0x900) >> 13 & 7u];",
    ),
    "the slot that its header says": (
        "",
        "const volatile uint32_t *at = (const volatile uint32_t *)(0x10008000u + (IO(0x900) & 1u) * 0x8000u); "
        "if (at[1] == 0xFFFFFFFFu) at = (const volatile uint32_t *)0x10008000u; IO(0x114) = (uint32_t)at;",
    ),
    "any of sixteen places": ("", "IO(0x114) = 0x10020000u + (IO(0x900) & 15u) * 0x1000u;"),
    "zero before": (HERE, "IO(0x114) = 0; IO(0x118) |= 2u; IO(0x114) = sampler_entry;"),
}
FAULTS = {
    "one of two, neither right": (
        "static volatile uint32_t sampler_entry = 0x10009000u;",
        "IO(0x114) = (IO(0x900) & 4u) ? 0x1FFF0000u : sampler_entry;",
    ),
    "one of three, none right": (
        "",
        "switch (IO(0x900) & 3u) { case 0: IO(0x114) = 0x10009000u; break; case 1: IO(0x114) = 0x1FFF0000u; break; "
        "default: IO(0x114) = 0x10020000u; }",
    ),
    "one of eight, none right": (
        TABLE.replace("0x10008000u", "0x10009000u") % "0x10038000u, 0x10018000u, 0x10010000u, 0x1001C000u",
        "IO(0x114) = places[IO(0x900) >> 13 & 7u];",
    ),
}
WITH = (
    ("gcc", "v6", "-Os"),
    ("gcc", "v7", "-O2"),
    ("gcc", "v7", "-O0"),
    ("clang", "v8", "-O2"),
    ("clang", "v6", "-O1"),
)


def _station(case: tuple[str, str], compiler: str, family: str, level: str) -> bytes:
    before, main = case
    return compiled("station", compiler, family, level, ((BEFORE, before), (MAIN, main + AND_THEN)))


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", SOUND)
def test_one_of_the_ways_gives_the_table(case: str, compiler: str, family: str, level: str) -> None:
    """The others may be slots, a ROM, or nothing before that."""
    builds = pair(
        station=_station(SOUND[case], compiler, family, level),
        sampler=compiled("sampler", "gcc", family, "-Os"),
    )
    for rule in ("release-value-agrees", "start-releases-secondary"):
        assert not findings(said_by(rule, layout_for(family, LARGE), builds))
    for with_builds in (True, False) if "sixteen" not in case else ():
        assert not findings(
            said_by(
                "primary-holds-vector-address", layout_for(family, LARGE), builds, with_builds=with_builds
            )
        )


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", FAULTS)
def test_none_of_the_ways_gives_the_table(case: str, compiler: str, family: str, level: str) -> None:
    """Each address that code may give is shown, and no other."""
    builds = pair(
        station=_station(FAULTS[case], compiler, family, level),
        sampler=compiled("sampler", "gcc", family, "-Os"),
    )
    (finding,) = (
        each
        for rule in ("release-value-agrees", "start-releases-secondary")
        for each in findings(said_by(rule, layout_for(family, LARGE), builds))
    )
    shown = " ".join((finding.found, *finding.lines))
    count = int({"two": 2, "three": 3, "eight": 8}[case.split()[2].strip(",")])
    assert "0x1000_9000" in shown
    assert shown.count("0x") >= min(count, 3)


BY_A_BIT = "*(volatile uint32_t *)(0x42000000u + 0x21118u * 32u + {}u * 4u) = {}u;"
BITS = {
    "its bit cleared": (1, 0, ""),
    "its bit set": (1, 1, "with the bits 0x0000_0002 set"),
    "the bit next to it": (2, 0, "with the bits 0x0000_0004 cleared"),
}


@pytest.mark.parametrize(("compiler", "level"), [("gcc", "-O2"), ("gcc", "-O0"), ("clang", "-Os")])
@pytest.mark.parametrize("case", BITS)
def test_a_release_by_a_bit_band_alias(case: str, compiler: str, level: str) -> None:
    """A word of the alias sets or clears one bit of the control register, on Armv7-M."""
    bit, value, found = BITS[case]
    main = f"IO(0x114) = 0x10008000u; {BY_A_BIT.format(bit, value)}"
    builds = pair(
        station=compiled("station", compiler, "v7", level, ((MAIN, main),)),
        sampler=compiled("sampler", "gcc", "v7", "-Os"),
    )
    result = said_by("release-value-agrees", layout_for("v7"), builds)
    assert [each.found.endswith(found) for each in findings(result)] == ([True] if found else [])
    assert result.status == ("warning" if found else "holds")


def test_answers_hold_every_value_of_three_bits_anywhere() -> None:
    """Fields of up to three bits take all their values, and fewer than FEW + 1; larger ones more."""
    for width in range(1, 7):
        for shift in range(33 - width):
            values = {answer >> shift & (1 << width) - 1 for answer in ANSWERS}
            assert len(values) == 1 << width if width <= 3 else len(values) > FEW, (width, shift)
