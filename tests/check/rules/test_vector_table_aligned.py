"""Tests of the rule ``vector-table-aligned``."""

from __future__ import annotations

import math

import pytest
from small_device import SAMPLER, findings, layout, sampler_elf, station_elf
from vector_fixtures import (
    RUN,
    SAMPLER_CORE,
    SAMPLER_STORED,
    alone,
    copied_layout,
    copied_sampler,
    of,
    viewed_builds,
    viewed_layout,
)

from gemel.m_profile.vector_tables import alignment_of

RULE = "vector-table-aligned"


def _at(offset: int, interrupts: int = 16, alignment: int | None = None):
    """The layout with the sampler's table at an offset of its area."""
    changes = {
        SAMPLER_STORED: f"{SAMPLER_STORED}\nvector_offset = {offset}",
        "interrupts = 16": f"interrupts = {interrupts}",
    }
    if alignment:
        changes[SAMPLER_CORE] = f"{SAMPLER_CORE}vector_alignment = {alignment}\n"
    return layout(changes)


def _sampler(offset: int, interrupts: int = 16) -> bytes:
    return sampler_elf(base=SAMPLER + offset, interrupts=interrupts)


def _both(offset: int, interrupts: int, alignment: int | None = None):
    return of(
        RULE,
        read=_at(offset, interrupts, alignment),
        station=station_elf(interrupts=interrupts),
        sampler=_sampler(offset, interrupts),
    )


BREAKS = {
    "17 interrupts at a multiple of 128": lambda: _both(0x80, 17),
    "49 interrupts at a multiple of 256": lambda: _both(0x100, 49),
    "the device demands more": lambda: _both(0x200, 16, 1024),
    "copied build, run address": lambda: of(
        RULE, read=copied_layout(), sampler=copied_sampler(run=RUN + 0x40)
    ),
    "image alone": lambda: alone(
        RULE, read=_at(0x80, 17), station=station_elf(interrupts=17), sampler=_sampler(0x80, 17)
    ),
}
KEEPS = {
    "both builds": lambda: of(RULE),
    "16 interrupts at a multiple of 128": lambda: _both(0x80, 16),
    "48 interrupts at a multiple of 256": lambda: _both(0x100, 48),
    "as the device demands": lambda: _both(0x400, 16, 1024),
    "demanding less than the architecture": lambda: _both(0x80, 16, 64),
    "copied build": lambda: of(RULE, read=copied_layout(), sampler=copied_sampler()),
    "own view of flash": lambda: of(RULE, read=viewed_layout(), **viewed_builds()),
    "image alone": lambda: alone(RULE),
}


@pytest.mark.parametrize(
    ("interrupts", "expected"),
    [
        (0, 128),
        (16, 128),
        (17, 256),
        (21, 256),
        (32, 256),
        (48, 256),
        (49, 512),
        (112, 512),
        (113, 1024),
        (240, 1024),
        (241, 2048),
        (480, 2048),
        (496, 2048),
    ],
)
def test_alignment_by_number_of_interrupts(interrupts: int, expected: int) -> None:
    """16 interrupts fit 32 words, more take the next power of two.

    The rule, and 21 interrupts with 64 words, are in Arm DUI 0471, "Vector Table Offset Register"
    (second-hand); the other rows are worked out from it by its formula.
    """
    assert alignment_of(interrupts) == expected
    assert alignment_of(interrupts) == max(128, 4 * 2 ** math.ceil(math.log2(16 + interrupts)))


def test_the_finding_offers_the_nearest_places() -> None:
    """The finding gives the aligned addresses below and above."""
    (finding,) = findings(BREAKS["17 interrupts at a multiple of 128"]())
    assert finding.found == "0x1000_1080, 128 bytes above a multiple of 256"
    assert "such as 0x1000_1000 or 0x1000_1100" in finding.expected


def test_the_finding_says_who_demands_it() -> None:
    """Where the layout demands more than the architecture, the finding says so."""
    (finding,) = findings(BREAKS["the device demands more"]())
    assert "(vector_alignment in the layout)" in finding.expected


def test_the_run_address_counts() -> None:
    """For a copied build the address in RAM is looked at, not the one in flash."""
    (finding,) = findings(BREAKS["copied build, run address"]())
    assert finding.found.startswith("0x3000_3440,")


def test_a_blank_table_is_not_checked() -> None:
    """Where there is no table its alignment says nothing."""
    assert of(RULE, sampler=sampler_elf(words={0: 0, 1: 0})).status == "not checked"
