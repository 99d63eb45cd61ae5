"""Loads and stores: which registers an instruction transfers, and the registers and offset of the address.

Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory); tests hold them to the assembler.
"""

from __future__ import annotations

from functools import lru_cache

from gemel.m_profile.instructions.wide_forms import wide_form
from gemel.structs import NamedTuple

SP, LR = 13, 14


class MemoryAccess(NamedTuple):
    """A load or store of ``registers``, ``size`` bytes each, at ``base`` plus ``offset``.

    Added to this is the register ``by`` (None: none), shifted to the left by ``shift``.
    ``writeback`` is what the instruction adds to the base (None: nothing).  Registers of a coprocessor are left out.
    """

    loads: bool
    base: int
    registers: tuple[int, ...]
    offset: int = 0
    by: int | None = None
    shift: int = 0
    size: int = 4
    writeback: int | None = None

    @property
    def width(self) -> int:
        """How many bytes are transferred at most."""
        return max(self.size * len(self.registers), 4)


@lru_cache(1 << 14)
def memory_access(first: int, second: int) -> MemoryAccess | None:
    """What an instruction loads or stores, unless it is another one or takes a literal."""
    return _wide(*wide_form(first, second))


def _wide(first: int, second: int) -> MemoryAccess | None:
    base, target, loads = first & 15, second >> 12, bool(first & 0x10)
    if first & 0xFE00 == 0xF800:
        return _single(first, second) if first & 0x60 != 0x60 and base != 15 else None
    signed = (second & 0xFF) * (4 if first & 0x80 else -4)
    if first & 0xFE40 == 0xE800:
        registers = tuple(register for register in range(16) if second >> register & 1)
        down = first & 0x180 == 0x100
        amount = -4 * len(registers) if down else 4 * len(registers)
        return MemoryAccess(
            loads, base, registers, amount if down else 0, writeback=amount if first & 0x20 else None
        )
    if first & 0xFE40 == 0xE840 and first & 0x120:
        before, back = first & 0x100, first & 0x20
        pair = (target, second >> 8 & 15)
        return MemoryAccess(loads, base, pair, signed if before else 0, writeback=signed if back else None)
    if first & 0xFFE0 == 0xE840:
        return MemoryAccess(loads, base, (target,), (second & 0xFF) * 4)
    if first & 0xFFE0 == 0xE8C0 and second & 0xF0 not in (0x00, 0x10):
        return MemoryAccess(loads, base, (target,), size=1 << (second >> 4 & 3))
    if first & 0xFE00 == 0xEC00 and first & 0x1A0:
        return MemoryAccess(
            loads, base, (), signed if first & 0x100 else 0, writeback=signed if first & 0x20 else None
        )
    return None


def _single(first: int, second: int) -> MemoryAccess | None:
    base, target, loads, size = first & 15, second >> 12, bool(first & 0x10), 1 << (first >> 5 & 3)
    if first & 0x80:
        return MemoryAccess(loads, base, (target,), second & 0xFFF, size=size)
    if not second & 0x800:
        return MemoryAccess(loads, base, (target,), by=second & 15, shift=second >> 4 & 3, size=size)
    amount = second & 0xFF if second & 0x200 else -(second & 0xFF)
    back = amount if second & 0x100 else None
    return MemoryAccess(loads, base, (target,), amount if second & 0x400 else 0, size=size, writeback=back)
