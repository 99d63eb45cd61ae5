"""Boards with one core, Armv6-M and Armv7-M: exceptions, faults, the system space, what differs between the two.

Sections are those of the Armv6-M and the Armv7-M Architecture Reference Manual (DDI 0419, DDI 0403), from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from random import Random

from ...cases import PLAIN, TWO_CORES, V6, V7, V7D, V7E, Board, Family, Scenario
from .doubles import doubles
from .exceptions import calls, mixed, returns, stacked, tasks
from .faults import default_faults, faults
from .protection import protection
from .registers import bit_band, core_registers, registers
from .waiting import sleeping, ticks


def on_v6(random: Random) -> Iterator[Scenario]:
    """All of the Armv6-M board."""
    del random
    yield from mixed(6, 40)
    for family in (faults, default_faults, calls, returns, sleeping, ticks, registers, core_registers, tasks):
        yield from family(6)


def on_v7(random: Random, *, has_float: bool = False, quiet_bus: bool = True) -> Iterator[Scenario]:
    """All of a board with an Armv7-M core; ``quiet_bus``: it answers at every address."""
    yield from mixed(7, 40)
    for family in (default_faults, calls, sleeping, ticks, registers, core_registers, tasks):
        yield from family(7)
    yield from returns(7, has_float)
    yield from faults(7, quiet_bus)
    yield from protection(random)
    yield from stacked(random)
    yield from bit_band(random)


def on_v7e(random: Random) -> Iterator[Scenario]:
    """The same on a board with a float unit and bus faults."""
    return on_v7(random, has_float=True, quiet_bus=False)


FAMILIES_OF: tuple[tuple[Board, Family], ...] = ((V6, on_v6), (V7, on_v7), (V7E, on_v7e), (V7D, doubles))


NEEDS_V8 = re.compile(
    r"msplim|psplim|MPU_RLAR|MPU_MAIR|\b(?:lda|stl|ldaex|stlex|tt)\b|\bCPUID\b|SYST_CSR & 4|SECURE"
)
"""What programs for Armv8-M hold, or for the one device."""
OTHERWISE = (
    "division-trap-off",  # the board's emulator keeps registers of the code before a division that traps
    "features",  # it has those of another core
    "rettobase-in-nested-thread",  # CCR.NONBASETHRDENA, which Armv8-M has not
    "thread-by-nested-return",
    "tick-one-shot",  # the board has a second clock for SysTick
)
"""Programs that do something else on Armv7E-M or on its board."""


class Alone:
    """A family's programs for one core, on a board that has no other; those for Armv8-M alone are left out."""

    def __init__(self, group: str, family: Family, board: Board) -> None:
        self.__name__ = f"{group} {family.__name__}"
        self._group, self._family, self._board = group, family, board

    def __call__(self, random: Random, /) -> Iterator[Scenario]:
        """The scenarios, with the options of this board's float unit."""
        for each in self._family(random):
            two_cores = each.partner != PLAIN or each.other_defines or each.layout or each.loose
            of_station = each.cores == ("station",)  # which has no float unit
            if two_cores or of_station or NEEDS_V8.search(each.code) or each.name in OTHERWISE:
                continue
            options = each.options
            if set(TWO_CORES.hard) <= set(options):
                options = (*(option for option in options if option not in TWO_CORES.hard), *self._board.hard)
            name = f"{self._group}-{each.name}"
            yield replace(each, name=name, cores=("station",), culprit=None, options=options)
