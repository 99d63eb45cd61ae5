"""A core's private peripheral space: what code reads and writes at 0xE000_0000..0xE00F_FFFF.

Register addresses and reset values: Armv6-M, Armv7-M and Armv8-M architecture reference manuals, "System
address map" and "System control" (from memory); they are the same in the common headers of the architecture.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from gemel.rehearsal.emulator.system_space.interrupts import (
    ENABLE_SET,
    END,
    FIRST_EXTERNAL,
    NMI,
    PENDSV,
    PRIORITIES,
    TARGETS,
    TICK,
    InterruptRegisters,
    Interrupts,
)
from gemel.rehearsal.emulator.system_space.memory_protection import LAST_ALIAS, MemoryProtection
from gemel.rehearsal.emulator.system_space.memory_protection import TYPE as MPU_TYPE
from gemel.rehearsal.emulator.system_space.register_bits import (
    COMPARATOR_SET,
    COMPARATORS,
    CPU_IDS,
    NON_SECURE,
    NOT_MODELLED,
    features_of,
    writable_bits,
)
from gemel.rehearsal.emulator.system_space.tick_timer import NO_REFERENCE, TickTimer
from gemel.rehearsal.emulator.system_space.units import (
    CYCLE_CONTROL,
    CYCLE_COUNT,
    DEBUG_CONTROL,
    FLOAT_CONTEXT,
    SAU_REGION,
    SAU_TYPE,
    SECURE_CONTEXT,
    STIMULUS,
    DebugUnits,
    FloatUnit,
    place_of,
    secure_by,
)
from gemel.rehearsal.plan import CorePlan
from gemel.structs import replace

BASE, SIZE = 0xE000_0000, 0x10_0000

WRITTEN_IN_PART = "a byte or halfword of a system register was written, which is UNPREDICTABLE on Armv6-M"
"""Its System Control Space takes words alone (DDI 0419, "About the System Control Space")."""

CONTROLLER_TYPE = 0xE000_E004
TICK_CONTROL, TICK_RELOAD, TICK_CURRENT = 0xE000_E010, 0xE000_E014, 0xE000_E018
TICK_CALIBRATION = 0xE000_E01C
SYSTEM_PRIORITIES = 0xE000_ED18
CPU_ID, INTERRUPT_CONTROL, VECTOR_TABLE = 0xE000_ED00, 0xE000_ED04, 0xE000_ED08
RESET_CONTROL, SYSTEM_CONTROL, CONFIGURATION = 0xE000_ED0C, 0xE000_ED10, 0xE000_ED14
HANDLER_CONTROL, FAULT_STATUS, HARD_FAULT_STATUS = 0xE000_ED24, 0xE000_ED28, 0xE000_ED2C
DEBUG_STATUS, MEMORY_FAULT_ADDRESS, BUS_FAULT_ADDRESS = 0xE000_ED30, 0xE000_ED34, 0xE000_ED38
SECURE_FAULT_STATUS = 0xE000_EDE4
SOFTWARE_TRIGGER = 0xE000_EF00

_CLEARED_BY_ONES = (FAULT_STATUS, HARD_FAULT_STATUS, DEBUG_STATUS, SECURE_FAULT_STATUS)

PENDSV_SET, PENDSV_CLEAR, TICK_PENDING_SET, TICK_PENDING_CLEAR = 1 << 28, 1 << 27, 1 << 26, 1 << 25
NMI_SET, INTERRUPT_PENDING, RETURN_TO_BASE = 1 << 31, 1 << 22, 1 << 11
RESET_KEY, RESET_READS, RESET_REQUEST, GROUP_BITS = 0x05FA, 0xFA05, 1 << 2, 0x700
SECURE_BITS = 1 << 14 | 1 << 13 | 1 << 3
"""PRIS, BFHFNMINS and SYSRESETREQS, which a core with the Security Extension keeps (DDI 0553, AIRCR)."""
SLEEP_ON_EXIT, EVENT_ON_PENDING = 1 << 1, 1 << 4
DIVISION_TRAP, ALIGNMENT_TRAP, USER_TRIGGERS = 1 << 4, 1 << 3, 1 << 1
IGNORES_BUS_FAULTS, ALIGNS_FRAMES = 1 << 8, 1 << 9
_HANDLER_ENABLES = {16: 4, 17: 5, 18: 6, 19: 7}
_HANDLER_ACTIVE = {0: 4, 1: 5, 2: 3, 3: 6, 4: 7, 5: 2, 7: 11, 8: 12, 10: 14, 11: 15}
_HANDLER_PENDING = {12: 6, 13: 4, 14: 5, 15: 11, 20: 7}

_CONFIGURATION_AT_RESET = {
    "armv6-m": 0x208,
    "armv8-m.base": 0x209,
    "armv8-m.main": 0x201,
    "armv8.1-m.main": 0x201,
}
_CONFIGURATION_ONES = 0x201
"""Bits of that register that are always one from Armv8-M on."""


class SystemSpace:
    """The registers of one core."""

    def __init__(
        self,
        plan: CorePlan,
        interrupts: Interrupts,
        now: Callable[[], int],
        report: Callable[[str, dict[str, int]], None],
        changed: Callable[[], None],
        float_used: Callable[[], bool],
    ) -> None:
        """``now`` counts instructions; ``changed`` is called when an exception may have to be taken.

        ``float_used`` says whether the running code has used the float unit since it began.
        """
        self.interrupts = interrupts
        self.used: set[str] = set()
        self._lost: dict[str, int] = {}
        self.asked_table: int | None = None
        """What code wrote to VTOR, if that lost bits."""
        self._controller = InterruptRegisters(interrupts, plan.secure)
        self._plan, self._now, self._report, self._changed = plan, now, report, changed
        self._float_used = float_used
        self.reset()

    def reset(self) -> None:
        """Every register as after a reset of the core."""
        plan = self._plan
        self.ticks = TickTimer(self._now, lambda: self.interrupts.pend(TICK))
        self._readers: dict[int, Callable[[], int]] = {}
        self.protection = MemoryProtection(plan)
        self._non_secure_protection = MemoryProtection(plan if plan.secure else replace(plan, extensions=()))
        self._controller.reset()
        self._bits = writable_bits(plan)
        self._words: dict[int, int] = {
            TICK_CALIBRATION: NO_REFERENCE,
            CPU_ID: CPU_IDS.get(plan.architecture, 0),
            CONTROLLER_TYPE: max(0, (plan.interrupts + 31) // 32 - 1),
            CONFIGURATION: _CONFIGURATION_AT_RESET.get(plan.architecture, 0x200),
            SAU_TYPE: 8 if plan.secure else 0,
            VECTOR_TABLE: 0,
            **features_of(plan),
        }
        self._debug = DebugUnits(self._words, self._bits, plan, self._now, self.used)
        self.float_unit = FloatUnit(self._words, plan, self._float_used)
        if plan.secure:  # what Non-secure state sees of them
            banked = [
                (each, word) for each, word in self._words.items() if CONTROLLER_TYPE <= each != SAU_TYPE
            ]
            self._words.update((each + NON_SECURE, word) for each, word in banked)
            self._words[RESET_CONTROL + NON_SECURE] = RESET_READS << 16
            self._words[FLOAT_CONTEXT] |= SECURE_CONTEXT if plan.has_float else 0

    # -- what the core asks --------------------------------------------------------------------------

    @property
    def vector_table(self) -> int:
        """Where the core's vector table is now."""
        return self._words[VECTOR_TABLE]

    def non_secure_vector(self, number: int) -> int | None:
        """Where the vector of an interrupt is that code gave to Non-secure state; None for others."""
        given = self._controller.is_given(number)
        return self._words.get(VECTOR_TABLE + NON_SECURE, 0) + 4 * number if given else None

    def secure_by(self, address: int) -> str:
        """Why an address is Secure for certain, by the security attribution unit; empty where the device may decide."""
        return secure_by(self._words, address)

    @property
    def configuration(self) -> int:
        """The configuration and control register: which accesses and divisions trap."""
        return self._words[CONFIGURATION]

    @property
    def aligns_frames(self) -> bool:
        """Whether an exception's frame is put at a multiple of eight; code of Armv7-M may switch that off."""
        return bool(self._words[CONFIGURATION] & ALIGNS_FRAMES)

    @property
    def sleeps_on_exit(self) -> bool:
        """Whether the core goes to sleep when it returns from its last exception."""
        return bool(self._words.get(SYSTEM_CONTROL, 0) & SLEEP_ON_EXIT)

    @property
    def pending_is_event(self) -> bool:
        """Whether an interrupt that becomes pending ends a WFE, masked or not (SCR.SEVONPEND)."""
        return bool(self._words.get(SYSTEM_CONTROL, 0) & EVENT_ON_PENDING)

    def state(self, now: int, asleep: bool = False) -> tuple[object, ...]:
        """Everything that decides what the core will read and which exceptions it will take.

        Where a tick is pending already, the next one changes nothing; nor does a timer that does not interrupt and that
        code does not read.
        """
        *_, polled = self.ticks.settings()
        matters = self.ticks.interrupts or (polled and not asleep)
        phase = self.ticks.phase(now) if matters and TICK not in self.interrupts.pending else 0
        words = tuple(sorted(self._words.items()))
        return (
            words,
            self.protection.state(),
            self._non_secure_protection.state(),
            self._controller.state(),
            self.interrupts.state(),
            phase,
        )

    def start(self, vectors: int) -> None:
        """The core leaves reset with this vector table."""
        self.asked_table = None
        self._words[VECTOR_TABLE] = vectors

    def set_fault(
        self, status: int, hard: int = 0, memory: int | None = None, bus: int | None = None, secure: int = 0
    ) -> None:
        """Add bits to the fault status registers, and the addresses that they name."""
        if not self._bits[FAULT_STATUS]:  # a core without the Main Extension says only that a fault came
            return
        self._words[FAULT_STATUS] = self._words.get(FAULT_STATUS, 0) | status
        self._words[HARD_FAULT_STATUS] = self._words.get(HARD_FAULT_STATUS, 0) | hard
        self._words[SECURE_FAULT_STATUS] = self._words.get(SECURE_FAULT_STATUS, 0) | secure
        if memory is not None:
            self._words[MEMORY_FAULT_ADDRESS] = memory
        if bus is not None:
            self._words[BUS_FAULT_ADDRESS] = bus

    # -- what code reads -----------------------------------------------------------------------------

    def read(self, offset: int, size: int) -> int:
        """What the core reads at ``offset`` from the base."""
        reader = self._readers.get(offset & ~3)
        if reader is None:
            reader = self._readers[offset & ~3] = self._reader_of(BASE + (offset & ~3))
        value = reader()
        return value if size == 4 else value >> 8 * (offset & 3) & ((1 << 8 * size) - 1)

    def _reader_of(self, address: int) -> Callable[[], int]:
        """What reads the word at ``address``; looked up once for each register that code reads."""
        if ENABLE_SET <= address < END:
            return lambda: self._controller.read(address)
        if protection := self._protection_at(address):
            return lambda: protection.read(address & ~NON_SECURE)
        if STIMULUS <= address < STIMULUS + 32 * 4:
            return lambda: self._debug.read_stimulus((address - STIMULUS) // 4)
        if read := _TICK_READERS.get(address):
            return partial(read, self.ticks)
        if reader := _READERS.get(address):
            return partial(reader, self)
        return lambda: self._words.get(place_of(self._words, address), 0)

    def _read_interrupt_control(self) -> int:
        interrupts = self.interrupts
        value = interrupts.handler
        has_base = self._plan.architecture != "armv6-m"
        value |= RETURN_TO_BASE if has_base and len(interrupts.active) <= 1 else 0
        if not interrupts.pending:
            return value
        value |= (interrupts.most_urgent() or 0) << 12
        value |= INTERRUPT_PENDING if any(number >= FIRST_EXTERNAL for number in interrupts.pending) else 0
        for number, bit in ((PENDSV, PENDSV_SET), (TICK, TICK_PENDING_SET), (NMI, NMI_SET)):
            value |= bit if number in interrupts.pending else 0
        return value

    def _read_handler_control(self) -> int:
        value = 0
        for bits, numbers in (
            (_HANDLER_ENABLES, self.interrupts.enabled),
            (_HANDLER_ACTIVE, self.interrupts.active),
            (_HANDLER_PENDING, self.interrupts.pending),
        ):
            value |= sum(1 << bit for bit, number in bits.items() if number in numbers)
        return value & self._bits.get(HANDLER_CONTROL, 0)

    # -- what code writes ----------------------------------------------------------------------------

    def write(self, offset: int, size: int, value: int) -> None:
        """The core writes ``value``."""
        address = BASE + offset
        word, shift = address & ~3, 8 * (address & 3)
        mask = ((1 << 8 * size) - 1) << shift & 0xFFFF_FFFF
        if size < 4 and self._plan.architecture == "armv6-m":
            self.used.add(WRITTEN_IN_PART)
        self._write_word(word, value << shift & mask, mask)
        self._changed()

    def _write_word(self, address: int, value: int, mask: int) -> None:
        if ENABLE_SET <= address < END:
            self._controller.write(address, value, mask)
            if TARGETS <= address < PRIORITIES and self._controller.read(address):
                self.used.add(
                    "interrupts were given to Non-secure state (NVIC_ITNS); the rehearsal ends where one is taken"
                )
            return
        if protection := self._protection_at(address):
            plain = address & ~NON_SECURE
            protection.write(plain, protection.read(plain) & ~mask | value)
            return
        bits = self._bits.get(address, 0)
        self._lost = {"written": value} if value & ~bits else {}
        held = self._words.get(place_of(self._words, address), 0) & ~mask | value & bits
        if not bits:
            if value and any(address in each for each in COMPARATORS):
                self.used.add(COMPARATOR_SET)
            return
        if address in NOT_MODELLED:
            self.used.update(text for asked, text in NOT_MODELLED[address] if held & asked)
        if SYSTEM_PRIORITIES <= address < SYSTEM_PRIORITIES + 12:
            self._controller.set_priorities(4 + address - SYSTEM_PRIORITIES, value & bits, mask)
        elif writer := _WRITERS.get(address):
            writer(self, value & bits, held)
        elif address & ~NON_SECURE in _CLEARED_BY_ONES:
            self._words[address] = self._words.get(address, 0) & ~value
        else:
            if address & ~NON_SECURE == CONFIGURATION and self._plan.architecture.startswith("armv8"):
                held |= _CONFIGURATION_ONES
            self._words[place_of(self._words, address)] = held

    def _protection_at(self, address: int) -> MemoryProtection | None:
        """The memory protection unit that has a register at ``address``."""
        if MPU_TYPE <= address <= LAST_ALIAS:
            return self.protection
        return self._non_secure_protection if MPU_TYPE <= address - NON_SECURE <= LAST_ALIAS else None

    def _write_interrupt_control(self, value: int, held: int) -> None:
        for bit, number, pend in (
            (PENDSV_SET, PENDSV, True),
            (PENDSV_CLEAR, PENDSV, False),
            (TICK_PENDING_SET, TICK, True),
            (TICK_PENDING_CLEAR, TICK, False),
            (NMI_SET, NMI, True),
        ):
            if value & bit:
                (self.interrupts.pend if pend else self.interrupts.unpend)(number)

    def _write_reset_control(self, value: int, held: int) -> None:
        if value >> 16 != RESET_KEY:
            return
        grouped = 0 if self._plan.architecture in ("armv6-m", "armv8-m.base") else GROUP_BITS
        self.interrupts.group_split = (value & grouped) >> 8
        secure = SECURE_BITS if "security" in self._plan.extensions else 0
        self._words[RESET_CONTROL] = value & (grouped | secure)
        if value & RESET_REQUEST:
            self._report("reset-requested", {"value": value})

    def _write_non_secure_reset_control(self, value: int, held: int) -> None:
        if value >> 16 == RESET_KEY:
            self._words[RESET_CONTROL + NON_SECURE] = RESET_READS << 16 | value & GROUP_BITS

    def _write_handler_control(self, value: int, held: int) -> None:
        for bit, number in _HANDLER_ENABLES.items():
            (self.interrupts.enabled.add if held >> bit & 1 else self.interrupts.enabled.discard)(number)
        self._words[HANDLER_CONTROL] = held
        for bit, number in _HANDLER_PENDING.items():
            (self.interrupts.pend if held >> bit & 1 else self.interrupts.unpend)(number)

    def _write_vector_table(self, value: int, held: int) -> None:
        if held != self.vector_table:
            self._report("vector-table-moved", {"value": held, **self._lost})
        self._words[VECTOR_TABLE] = held
        self.asked_table = self._lost.get("written")

    def _write_region(self, value: int, held: int) -> None:
        if held < self._words[SAU_TYPE]:
            self._words[SAU_REGION] = held


_TICK_READERS = {
    TICK_CONTROL: TickTimer.read_control,
    TICK_RELOAD: TickTimer.read_reload,
    TICK_CURRENT: TickTimer.read_value,
}

_READERS: dict[int, Callable[[SystemSpace], int]] = {
    CYCLE_COUNT: lambda space: space._debug.read_cycles(),
    INTERRUPT_CONTROL: SystemSpace._read_interrupt_control,
    FLOAT_CONTEXT: lambda space: space.float_unit.read_context(),
    RESET_CONTROL: lambda space: RESET_READS << 16 | space._words.get(RESET_CONTROL, 0),
    HANDLER_CONTROL: SystemSpace._read_handler_control,
    SYSTEM_PRIORITIES: lambda space: space._controller.priorities(4),
    SYSTEM_PRIORITIES + 4: lambda space: space._controller.priorities(8),
    SYSTEM_PRIORITIES + 8: lambda space: space._controller.priorities(12),
}

_WRITERS: dict[int, Callable[[SystemSpace, int, int], None]] = {
    TICK_CONTROL: lambda space, value, held: space.ticks.write_control(value),
    TICK_RELOAD: lambda space, value, held: space.ticks.write_reload(value),
    TICK_CURRENT: lambda space, value, held: space.ticks.write_value(value),
    CYCLE_CONTROL: lambda space, value, held: space._debug.write_control(CYCLE_CONTROL, held),
    CYCLE_COUNT: lambda space, value, held: space._debug.write_cycles(held),
    INTERRUPT_CONTROL: SystemSpace._write_interrupt_control,
    RESET_CONTROL: SystemSpace._write_reset_control,
    HANDLER_CONTROL: SystemSpace._write_handler_control,
    VECTOR_TABLE: SystemSpace._write_vector_table,
    SAU_REGION: SystemSpace._write_region,
    DEBUG_CONTROL: lambda space, value, held: space._debug.write_control(DEBUG_CONTROL, held),
    SOFTWARE_TRIGGER: lambda space, value, held: space.interrupts.pend(FIRST_EXTERNAL + (value & 0x1FF)),
    RESET_CONTROL + NON_SECURE: SystemSpace._write_non_secure_reset_control,
}
