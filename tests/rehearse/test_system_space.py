"""A core's private registers, without an emulator."""

from __future__ import annotations

import pytest
from core_plans import core_plan
from device_programs import RELEASE, SLEEP, run, store

from gemel.rehearsal.emulator.system_space.interrupts import Interrupts
from gemel.rehearsal.emulator.system_space.registers import (
    BASE,
    WRITTEN_IN_PART,
    SystemSpace,
)
from gemel.rehearsal.emulator.system_space.units import OPTIONAL_COUNTER
from gemel.rehearsal.plan import CorePlan
from gemel.structs import replace

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


@pytest.mark.parametrize("address", [0xE000_ED34, 0xE000_E400, 0xE000_EDC0])
def test_what_start_up_code_writes_is_held(address: int) -> None:
    """What start-up code writes reads back, by parts too."""
    bench = Bench()
    bench.write(address, 0x00AB_0030)
    assert bench.read(address) == 0x00AB_0030
    bench.write(address + 1, 0x77, 1)
    assert bench.read(address) == 0x00AB_7730
    assert bench.read(address + 2, 1) == 0xAB


CORES = {
    "v6": core_plan(architecture="armv6-m", extensions=("mpu",), interrupts=32),
    "v7": core_plan(architecture="armv7-m", extensions=()),
    "v7-float": core_plan(architecture="armv7e-m", extensions=("fp", "dsp")),
    "v8-base": core_plan(architecture="armv8-m.base", extensions=("security",)),
    "v8": core_plan(architecture="armv8-m.main", extensions=()),
    "v8-secure": CORE,
}
BITS = {
    # register: what it reads once 0xFFFF_FFFF was written, by core, in the order of CORES
    0xE000_0E80: (0, 0x7F_0F1F, 0x7F_0F1F, 0, 0x7F_0F3F, 0x7F_0F3F),
    0xE000_1000: (0, 0x7F_1FFF, 0x7F_1FFF, 0, 0x7F_1FFF, 0xFF_1FFF),
    0xE000_1020: (0, 0, 0, 0, 0, 0),
    0xE000_E000: (0, 0, 0, 0, 0, 0),
    0xE000_E008: (0, 0x7, 0x307, 0, 0x2000_1005, 0x2000_1605),
    0xE000_E020: (0, 0, 0, 0, 0, 0),
    0xE000_E380: (0, 0, 0, 0xFFFF_FFFF, 0, 0xFFFF_FFFF),
    0xE000_ED08: (0xFFFF_FF00, *(0xFFFF_FF80,) * 5),
    0xE000_ED10: (0x16, 0x16, 0x16, 0x1E, 0x16, 0x1E),
    0xE000_ED14: (0x208, 0x31B, 0x7_031B, 0x209, 0x71B, 0x71B),
    0xE000_ED18: (0, 0xFF_FFFF, 0xFF_FFFF, 0, 0xFF_FFFF, 0xFFFF_FFFF),
    0xE000_ED1C: (0xFF00_0000,) * 6,
    0xE000_ED20: (0xFFFF_0000, 0xFFFF_00FF, 0xFFFF_00FF, 0xFFFF_0000, 0xFFFF_00FF, 0xFFFF_00FF),
    0xE000_ED28: (0, 0, 0, 0, 0, 0),
    0xE000_ED34: (0, *(0xFFFF_FFFF,) * 2, 0, *(0xFFFF_FFFF,) * 2),
    0xE000_ED3C: (0, 0, 0, 0, 0, 0),
    0xE000_ED84: (0, 0xF, 0xF, 0, 0xF, 0xF),
    0xE000_ED88: (0, 0, 0xF0_0000, 0, 0, 0xF0_0000),
    0xE000_ED8C: (0, 0, 0, 0, 0, 0xC00),
    0xE000_ED98: (0, 0, 0, 0, 0, 0),
    0xE000_EDC0: (0, 0, 0, 0, 0, 0xFFFF_FFFF),
    0xE000_EDD0: (0, 0, 0, 0x3, 0, 0x3),
    0xE000_EDD8: (0, 0, 0, 0, 0, 0),
    0xE000_EDDC: (0, 0, 0, 0xFFFF_FFE0, 0, 0xFFFF_FFE0),
    0xE000_EDE0: (0, 0, 0, 0xFFFF_FFE3, 0, 0xFFFF_FFE3),
    0xE000_EDE4: (0, 0, 0, 0, 0, 0),
    0xE000_EDE8: (0, 0, 0, 0, 0, 0xFFFF_FFFF),
    0xE000_EDF0: (0, 0, 0, 0, 0, 0),
    0xE000_EDFC: (0, 0x10F_07F1, 0x10F_07F1, 0x100_0401, 0x10F_07F1, 0x10F_0FF1),
    0xE000_EF00: (0, 0, 0, 0, 0, 0),
    0xE000_EF34: (0, 0, 0xC000_017B, 0, 0, 0xFC00_07FF),
    0xE000_EF38: (0, 0, 0xFFFF_FFF8, 0, 0, 0xFFFF_FFF8),
    0xE000_EF3C: (0, 0, 0x7C0_0000, 0, 0, 0x7C0_0000),
    0xE000_EF40: (0, 0, 0x1011_0021, 0, 0, 0x1011_0021),
    0xE000_EF50: (0, 0, 0, 0, 0, 0),
    0xE002_E014: (0, 0, 0, 0xFF_FFFF, 0, 0xFF_FFFF),
    0xE002_ED04: (0, 0, 0, 0, 0, 0),
    0xE002_ED14: (0, 0, 0, 0x209, 0, 0x61B),
    0xE002_ED94: (0, 0, 0, 0, 0, 0x7),
    0xE002_EDD0: (0, 0, 0, 0, 0, 0),
    0xE002_EF34: (0, 0, 0, 0, 0, 0xD000_072B),
    0xE004_0010: (0, 0, 0, 0, 0, 0),
    0xE00F_F000: (0, 0, 0, 0, 0, 0),
}


@pytest.mark.parametrize("core", CORES)
@pytest.mark.parametrize("address", BITS, ids=hex)
def test_registers_keep_the_bits_that_exist(address: int, core: str) -> None:
    """Reserved bits read zero, and zeros clear what ones set (DDI 0419, DDI 0403, DDI 0553, from memory)."""
    bench = Bench(CORES[core])
    at_reset = bench.read(address)
    bench.write(address, 0xFFFF_FFFF)
    assert bench.read(address) == BITS[address][list(CORES).index(core)]
    bench.write(address, 0)
    assert bench.read(address) == at_reset & ~CLEARED.get((address, core), 0)


CLEARED = {
    (0xE000_ED14, "v7"): 0x200,
    (0xE000_ED14, "v7-float"): 0x200,
    (0xE000_EF34, "v7-float"): 0xC000_0000,
    (0xE000_EF34, "v8-secure"): 0xC000_0004,
    (0xE002_EF34, "v8-secure"): 0xC000_0000,
}
"""Bits that are one at reset and can be cleared."""


ASKED = [
    (0xE000_0E80, 0x1, 0x8),
    (0xE000_1020, 0x2000_0000, 0),
    (0xE000_E380, 0x1, 0),
    (0xE000_ED10, 0x14, 0x1A),
    (0xE000_ED14, 0x400, 0x318),
    (0xE000_EDD0, 0x1, 0x2),
    (0xE000_EDFC, 0x10000, 0x100_07F1),
    (0xE000_EF34, 0x4000_0000 | 1 << 28, 0xC000_0000),
    (0xE002_E010, 0x7, 0x6),
]
"""Registers, with a bit that has an effect which the rehearsal lacks, and with others."""


@pytest.mark.parametrize(("address", "asks", "plain"), ASKED)
def test_what_is_asked_for_and_not_modelled_is_reported(address: int, asks: int, plain: int) -> None:
    """A bit with an effect that the rehearsal lacks is a note of the result; other bits of the register are none."""
    bench = Bench()
    bench.write(address, plain)
    assert not bench.space.used
    bench.write(address, asks)
    assert len(bench.space.used) == 1


@pytest.mark.parametrize(
    ("address", "asks", "plain", "architecture"),
    [*((*each, "") for each in ASKED), (0xE000_ED14, 0x3_0200, 0x0_0200, "armv7e-m")],
)
def test_the_result_says_what_code_asked_for(address: int, asks: int, plain: int, architecture: str) -> None:
    """Where code of a core sets the bit it is one more note of the result, with the core; other bits make none."""
    notes = [
        set(
            run(
                RELEASE + SLEEP, "", sampler=store(address, hex(each)) + SLEEP, architecture=architecture
            ).notes
        )
        for each in (plain, asks)
    ]
    (note,) = notes[1] - notes[0]
    assert "sampler" in note
    assert notes[0] < notes[1]


def test_cache_that_is_switched_on_is_reported() -> None:
    """Where the core may have one: elsewhere the bit does not exist."""
    with_cache, without = Bench(CORES["v7-float"]), Bench(CORES["v7"])
    for bench in (with_cache, without):
        bench.write(0xE000_ED14, 0x3_0200)
    assert [len(bench.space.used) for bench in (with_cache, without)] == [1, 0]


def test_software_trigger_where_there_is_one() -> None:
    """Armv6-M and Armv8-M Baseline have no such register (DDI 0553 STIR)."""
    for core, pending in (("v6", None), ("v8-base", None), ("v7", 19)):
        bench = Bench(CORES[core])
        bench.interrupts.enabled.add(19)
        bench.write(0xE000_EF00, 3)
        assert bench.interrupts.most_urgent() == pending


def test_fault_status_where_there_is_one() -> None:
    """Only a core with the Main Extension says what faulted, and ones clear it."""
    for core, status in (("v6", 0), ("v8-base", 0), ("v7", 0x8200)):
        bench = Bench(CORES[core])
        bench.space.set_fault(0x8200, hard=1 << 30, bus=0x6000_0000)
        assert bench.read(0xE000_ED28) == status
        assert bench.read(0xE000_ED38) == (0x6000_0000 if status else 0)
        bench.write(0xE000_ED28, status)
        assert bench.read(0xE000_ED28) == 0


def test_trace_ports_take_what_is_sent_where_they_are_on() -> None:
    """Code that waits for room goes on; from Armv8-M on a port that is off says so (DDI 0553 ITM_STIM)."""
    for core, off in (("v7", 0), ("v8", 2), ("v6", 0)):
        bench = Bench(CORES[core])
        assert bench.read(0xE000_0000) == off
        bench.write(0xE000_EDFC, 1 << 24)
        bench.write(0xE000_0E80, 1)
        bench.write(0xE000_0E00, 0x2)
        assert (bench.read(0xE000_0000), bench.read(0xE000_0004)) == (off, 0 if core == "v6" else 1)


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


@pytest.mark.parametrize(
    ("architecture", "configuration", "base", "aligns"),
    [
        ("armv6-m", 0x008, 0, True),
        ("armv7-m", 0x000, 1, False),
        ("armv7-m", 0x200, 1, True),
        ("armv8-m.main", 0x000, 1, True),
    ],
)
def test_what_armv7_has_alone(architecture: str, configuration: int, base: int, aligns: bool) -> None:
    """CCR.STKALIGN is code's to write on Armv7-M alone; ICSR.RETTOBASE is none of Armv6-M (DDI 0403, DDI 0419)."""
    bench = Bench(core_plan(architecture=architecture, extensions=()))
    bench.write(0xE000_ED14, configuration)
    assert bench.space.aligns_frames is aligns
    assert bench.read(0xE000_ED04) >> 11 & 1 == base


def test_vector_table_offset_drops_low_bits_and_is_told() -> None:
    """The offset register keeps bits from 7 on, and a move is an event."""
    bench = Bench()
    bench.write(0xE000_ED08, 0x1000_0FFF)
    assert bench.read(0xE000_ED08) == bench.space.vector_table == 0x1000_0F80
    assert bench.events == [("vector-table-moved", {"value": 0x1000_0F80, "written": 0x1000_0FFF})]
    bench.write(0xE000_ED08, 0x1000_0000)
    assert bench.events[1:] == [("vector-table-moved", {"value": 0x1000_0000})]


@pytest.mark.parametrize("architecture", ["armv6-m", "armv8-m.base"])
@pytest.mark.parametrize("size", [1, 2, 4])
def test_a_system_register_that_is_written_in_part(architecture: str, size: int) -> None:
    """Armv6-M takes words alone there, and the result says so; other architectures take bytes and halfwords."""
    bench = Bench(replace(CORE, architecture=architecture))
    bench.write(0xE000_E400, 0x40, size)
    assert (WRITTEN_IN_PART in bench.space.used) is (size < 4 and architecture == "armv6-m")


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


def test_cycle_counter_counts_when_it_is_on() -> None:
    """It counts instructions once it and the debug units are on (DDI 0403, DEMCR.TRCENA); a core without reads zero."""
    bench = Bench()
    bench.time = 50
    bench.write(0xE000_1000, 1)
    bench.time = 80
    assert bench.read(0xE000_1004) == 0
    assert len(bench.space.used) == 1
    bench.write(0xE000_EDFC, 1 << 24)
    bench.time = 110
    assert bench.read(0xE000_1004) == 30
    bench.write(0xE000_1000, 0)
    bench.time = 200
    assert bench.read(0xE000_1004) == 30
    assert len(bench.space.used) == 2


def test_cycle_counter_set_back_counts_on() -> None:
    """A count written while it counts goes on from there, which the result says; Armv6-M has none."""
    for core, count, used in (("v7", 7, {OPTIONAL_COUNTER}), ("v6", 0, set())):
        bench = Bench(CORES[core])
        bench.write(0xE000_EDFC, 1 << 24)
        bench.write(0xE000_1000, 1)
        bench.time = 40
        bench.write(0xE000_1004, 2)
        bench.time = 45
        assert bench.read(0xE000_1004) == count
        assert bench.space.used == used
