"""A core's private registers, without an emulator."""

from __future__ import annotations

import pytest
from core_plans import core_plan

from gemel.rehearsal.emulator.system_space.interrupts import Interrupts
from gemel.rehearsal.emulator.system_space.registers import BASE, SystemSpace
from gemel.rehearsal.plan import CorePlan

CORE = core_plan(architecture="armv8-m.main", extensions=("fp", "mpu", "security"))


class Bench:
    """The private space of a core whose time the test moves."""

    def __init__(self, plan: CorePlan = CORE) -> None:
        self.time = 0
        self.events: list[tuple[str, dict[str, int]]] = []
        self.interrupts = Interrupts(96)
        self.space = SystemSpace(
            plan,
            self.interrupts,
            lambda: self.time,
            lambda kind, numbers: self.events.append((kind, numbers)),
            lambda: None,
            lambda: False,
        )

    def read(self, address: int, size: int = 4) -> int:
        return self.space.read(address - BASE, size)

    def write(self, address: int, value: int, size: int = 4) -> None:
        self.space.write(address - BASE, size, value)


@pytest.mark.parametrize(
    ("address", "ones"),
    [(0xE000_ED10, 0), (0xE000_ED14, 0x201), (0xE000_ED88, 0), (0xE000_E400, 0), (0xE000_EDC0, 0)],
)
def test_start_up_registers_are_held(address: int, ones: int) -> None:
    """What start-up code writes reads back, by parts too; ``ones`` are bits that nothing clears."""
    bench = Bench()
    bench.write(address, 0x00AB_0030)
    assert bench.read(address) == 0x00AB_0030 | ones
    bench.write(address + 1, 0x77, 1)
    assert bench.read(address) == 0x00AB_7730 | ones
    assert bench.read(address + 2, 1) == 0xAB


@pytest.mark.parametrize(
    ("architecture", "extensions", "kept"),
    [
        ("armv8-m.main", ("security",), 0x6708),
        ("armv8-m.base", ("security",), 0x6008),
        ("armv8-m.main", (), 0x0700),
        ("armv7-m", (), 0x0700),
        ("armv6-m", (), 0),
    ],
)
def test_what_the_reset_control_register_keeps(
    architecture: str, extensions: tuple[str, ...], kept: int
) -> None:
    """Grouping where there is some, and what is for Secure state alone (DDI 0553 AIRCR); nothing without a key."""
    bench = Bench(core_plan(architecture=architecture, extensions=extensions))
    bench.write(0xE000_ED0C, 0xFFFF)
    assert bench.read(0xE000_ED0C) == 0xFA05_0000
    bench.write(0xE000_ED0C, 0x05FA_FFFB)
    assert bench.read(0xE000_ED0C) == 0xFA05_0000 | kept


@pytest.mark.parametrize(
    ("register", "kept"), [(0xE000_ED18, 0xFFFF_FFFF), (0xE000_ED1C, 0xFF00_0000), (0xE000_ED20, 0xFFFF_00FF)]
)
def test_priorities_of_no_exception_read_zero(register: int, kept: int) -> None:
    """Numbers 8, 9, 10 and 13 are no exceptions (DDI 0553 SHPR2, SHPR3)."""
    bench = Bench()
    bench.write(register, 0xFFFF_FFFF)
    assert bench.read(register) == kept


def test_vector_table_offset_drops_low_bits_and_is_told() -> None:
    """The offset register keeps bits from 7 on, and a move is an event."""
    bench = Bench()
    bench.write(0xE000_ED08, 0x1000_0FFF)
    assert bench.read(0xE000_ED08) == bench.space.vector_table == 0x1000_0F80
    assert bench.events == [("vector-table-moved", {"value": 0x1000_0F80})]


def test_tick_timer_counts_down_and_tells_once() -> None:
    """The timer counts instructions down, and its flag reads one once after each time it runs out."""
    bench = Bench()
    bench.write(0xE000_E014, 99)
    bench.write(0xE000_E018, 0)
    bench.write(0xE000_E010, 0x5)
    bench.time = 1
    assert bench.read(0xE000_E018) == 99
    bench.time = 41
    assert bench.read(0xE000_E018) == 59
    assert bench.read(0xE000_E010) == 0x5
    bench.time = 130
    assert bench.read(0xE000_E010) == 0x1_0005
    assert bench.read(0xE000_E010) == 0x5


def test_tick_interrupt_becomes_pending() -> None:
    """With its interrupt on, running out makes exception 15 pending, once each time."""
    bench = Bench()
    bench.write(0xE000_E014, 99)
    bench.write(0xE000_E010, 0x7)
    bench.time = 99
    bench.space.ticks.advance(bench.time)
    assert bench.interrupts.most_urgent() is None
    bench.time = 100
    bench.space.ticks.advance(bench.time)
    assert bench.interrupts.most_urgent() == 15
    assert bench.space.ticks.interrupts


def test_interrupts_are_enabled_pended_and_taken_back() -> None:
    """Enable and pending registers set and clear by ones, and both read the state."""
    bench = Bench()
    bench.write(0xE000_E100, 0x21)
    bench.write(0xE000_E200, 0x3)
    assert bench.read(0xE000_E100) == bench.read(0xE000_E180) == 0x21
    assert bench.interrupts.most_urgent() == 16
    bench.write(0xE000_E280, 0x1)
    assert bench.interrupts.most_urgent() is None
    bench.write(0xE000_E180, 0x20)
    assert bench.read(0xE000_E100) == 0x1
    bench.write(0xE000_EF00, 0)
    assert bench.interrupts.most_urgent() == 16


def test_priorities_order_what_is_pending() -> None:
    """The lowest priority value goes first; the lower number where they are equal."""
    bench = Bench()
    bench.write(0xE000_E100, 0xF)
    bench.write(0xE000_E200, 0xE)
    assert bench.interrupts.most_urgent() == 17
    bench.write(0xE000_E400, 0x80_40_80_00)
    assert bench.interrupts.most_urgent() == 18
    bench.write(0xE000_ED20, 0x0020_0000)
    bench.write(0xE000_ED04, 1 << 28)
    assert bench.interrupts.most_urgent() == 14
    bench.write(0xE000_ED04, 1 << 27)
    assert bench.interrupts.most_urgent() == 18


def test_reset_needs_its_key() -> None:
    """A reset is asked for only with the key."""
    bench = Bench()
    bench.write(0xE000_ED0C, 0x4)
    assert bench.events == []
    bench.write(0xE000_ED0C, 0x05FA_0004)
    assert bench.events == [("reset-requested", {"value": 0x05FA_0004})]


def test_security_attribution_that_is_switched_on_is_reported() -> None:
    """Security attribution is not enforced, and the result says so."""
    bench = Bench()
    bench.write(0xE000_EDD0, 1)
    assert len(bench.space.used) == 1


def test_cycle_counter_counts_when_it_is_on() -> None:
    """The cycle counter reads instructions once it is enabled."""
    bench = Bench()
    bench.time = 50
    assert bench.read(0xE000_1004) == 0
    bench.write(0xE000_1000, 1)
    bench.time = 80
    assert bench.read(0xE000_1004) == 30
