"""The device registers that one core sees in one run of pages, unaligned accesses to them, and their bit-band words.

A read of a bit-band word gives the bit, a write takes bit 0 of its value; the register is read and written whole
(Armv7-M, "Bit-banding", from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.m_profile.bit_band import alias_of, of_bit_band_alias
from gemel.m_profile.instructions.memory_accesses import memory_access
from gemel.rehearsal.emulator.core.backing import touched_pages
from gemel.rehearsal.emulator.core.instruction_needs import is_single_load
from gemel.spans import Span, merge, without

if TYPE_CHECKING:
    from collections.abc import Iterable

    from gemel.rehearsal.emulator.core.bus import CoreBus
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore
    from gemel.rehearsal.emulator.registers.register_port import RegisterPort
    from gemel.rehearsal.plan import CorePlan


MAX_PORTS = 4096
"""Registers that are remembered for each run of pages; others are looked up at each access."""


class SplitLook:
    """Looks for unaligned accesses to the registers that one core sees in one run of pages.

    The library splits an unaligned load into two aligned ones, which shows as a second access of one instruction,
    right after the first, and an unaligned store into bytes.  Device memory takes none: they are alignment faults
    (DDI 0553, "Alignment behavior").
    """

    def __init__(self, core: EmulatedCore) -> None:
        self._core, self._native, self._counter = core, core.native, core.native.counter
        self._end = self._begun = self._run = 0
        """Where the last load ended; at which instruction of which run that was."""

    def look(self, offset: int, size: int) -> bool:
        """Look at a load; True where it is the second part of an unaligned one."""
        begun = self._counter.value
        second = offset == self._end and begun == self._begun and self._is_split(size)
        self._end, self._begun, self._run = offset + size, begun, self._native.runs
        return second

    def _is_split(self, size: int) -> bool:
        """Whether an access right after another one of its instruction makes both one unaligned access."""
        core = self._core
        if self._run != self._native.runs or (
            size == 4 and not is_single_load(*core.instruction(core.registers.pc & ~1))
        ):
            return False
        core.note_fault("alignment-fault", {"size": size})
        return True

    def is_split_write(self, address: int) -> bool:
        """Whether the write of a byte at ``address`` is the first part of an unaligned store: it must not be done."""
        if not address & 3:  # for quick output of bytes: one that begins here is aligned
            return False
        core = self._core
        access = memory_access(*core.instruction(core.registers.pc & ~1))
        if access is None or access.size == 1:
            return False
        core.note_fault("alignment-fault", {"address": address, "size": access.size})
        return True


class RegisterPorts:
    """The device registers that one core sees in one run of pages."""

    def __init__(self, core: EmulatedCore, bus: CoreBus, pages: Span) -> None:
        self._core, self._bus, self._start = core, bus, pages.start
        self._refused = core.faults.noted
        """Faults of the current instruction so far: what the protection forbids reaches no register."""
        self._split = SplitLook(core)
        self._ports: dict[int, RegisterPort | None] = {}

    def read(self, offset: int, size: int) -> int:
        """What the core reads."""
        if self._refused:
            return 0
        port = self._ports.get(offset & ~3) or self._find(offset)
        if port is None:
            self._core.note_fault("unmapped-read", {"address": self._start + offset, "size": size})
            return 0
        if self._split.look(offset, size):
            return 0
        return port.read(offset & 3, size)

    def write(self, offset: int, size: int, value: int) -> None:
        """What the core writes."""
        if self._refused:
            return
        port = self._ports.get(offset & ~3) or self._find(offset)
        if port is None:
            self._core.note_fault("unmapped-write", {"address": self._start + offset, "size": size})
        elif size > 1 or not self._split.is_split_write(self._start + offset):
            port.write(offset & 3, size, value)

    def _find(self, offset: int) -> RegisterPort | None:
        port = self._bus.port_at(self._start + (offset & ~3))
        if len(self._ports) < MAX_PORTS:
            self._ports[offset & ~3] = port
        return port


OPTIONAL = "a bit-band alias was used, which not every core of this architecture has"
"""What the result says of it: a core without one faults there."""


def alias_pages(core: CorePlan, ram: Iterable[Span]) -> list[Span]:
    """The page runs of a core in which bits of its RAM and of its device registers are words."""
    bits = [alias_of(core.architecture, span) for span in (*ram, *(span for span, _ in core.devices))]
    taken = [touched_pages(window.span) for window in core.windows]
    return without(merge(touched_pages(span) for span in bits if span), taken)


class BitBandWords:
    """The bits that one core sees in one run of pages."""

    def __init__(self, core: EmulatedCore, bus: CoreBus, pages: Span) -> None:
        self._core, self._bus, self._start = core, bus, pages.start

    def read(self, offset: int, size: int) -> int:
        """The bit, as a number."""
        if self._core.faults.noted:
            return 0
        word, bit = self._place(offset)
        self._bus.touches_bit(word + bit // 8, None)
        value = self._read(word)
        if value is None:
            self._core.note_fault("unmapped-read", {"address": self._start + offset, "size": size})
            return 0
        return value >> bit & 1

    def write(self, offset: int, size: int, value: int) -> None:
        """Set or clear the bit."""
        if self._core.faults.noted:
            return
        word, bit = self._place(offset)
        before = self._read(word)
        if before is None:
            self._core.note_fault("unmapped-write", {"address": self._start + offset, "size": size})
            return
        after = before | 1 << bit if value & 1 else before & ~(1 << bit)
        self._bus.touches_bit(word + bit // 8, after >> (bit & ~7) & 0xFF)
        if port := self._bus.port_at(word):
            port.write(0, 4, after)
        else:
            self._bus.write_byte(word + bit // 8, after >> (bit & ~7) & 0xFF)

    def _place(self, offset: int) -> tuple[int, int]:
        """The word, as the core sees it, and its bit."""
        self._core.system.used.add(OPTIONAL)
        span = of_bit_band_alias(self._core.plan.architecture, Span(self._start + (offset & ~3), 4))
        address = span.start if span else 0
        return address & ~3, 8 * (address & 3) + (offset >> 2 & 7)

    def _read(self, word: int) -> int | None:
        port = self._bus.port_at(word)
        return port.read(0, 4) if port else self._bus.read_word(word)
