"""The words of an Armv7-M core's bit-band aliases, each of which is one bit of RAM or of a device register.

A read gives the bit, a write takes bit 0 of its value; the register is read and written whole (Armv7-M, "Bit-banding",
from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.m_profile.bit_band import alias_of, of_bit_band_alias
from gemel.rehearsal.emulator.core.mapping import touched_pages
from gemel.spans import Span, merge, without

if TYPE_CHECKING:
    from collections.abc import Iterable

    from gemel.rehearsal.emulator.core.bus import CoreBus
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore
    from gemel.rehearsal.plan import CorePlan

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
