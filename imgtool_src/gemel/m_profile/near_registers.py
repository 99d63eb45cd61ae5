"""Registers that may hold an address near a watched one, so that a store to it may be missed by what is followed.

Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory).
"""

from __future__ import annotations

from gemel.m_profile.halfwords import CALLER_SAVED, FIRST_WIDE, modified_constant

WINDOW, ROUND_WINDOW = 0x1_0000, 0x100_0000
"""Bytes around a watched address in which what may lead to it is, and those below it for a multiple of 64 KiB."""


class NearRegisters:
    """Which registers may hold an address near the watched one, in the order of the code.

    What is computed from such a register may be one; what is loaded is none.
    """

    def __init__(self, watched: int) -> None:
        self._watched = watched
        self._near: set[int] = set()
        self._stored_near = False

    def holds(self, value: int | None) -> bool:
        """Whether a value is such an address."""
        distance = self._watched - value if value is not None else ROUND_WINDOW
        return abs(distance) < WINDOW or (0 <= distance < ROUND_WINDOW and (value or 0) % WINDOW == 0)

    def _reads(self, first: int, second: int) -> set[int]:
        """The registers that an instruction may compute with, some of them too many."""
        if first >= FIRST_WIDE:
            return {first & 15, second & 15}
        if first & 0xFC00 == 0x4400:
            return {first >> 3 & 15, first >> 4 & 8 | first & 7}
        if first & 0xF000 == 0x3000:
            return {first >> 8 & 7}
        return {first >> 3 & 7, first >> 6 & 7, first & 7} if first < 0x4800 else set()

    def leaks(self, first: int, second: int) -> bool:
        """Whether a store, call or return takes one along, or stores through one."""
        if _is_call(first, second):
            return not self._near.isdisjoint(CALLER_SAVED[:4])
        if first & 0xFF87 == 0x4700 or first & 0xFF00 == 0xBD00:
            return 0 in self._near and not self._stored_near
        stored = _stored_with(first, second)
        if stored and not self._near.isdisjoint(stored):
            self._stored_near = True
            return True
        return False

    def step(self, first: int, second: int, known: dict[int, int], *, conditional: bool) -> None:
        """Take the instruction: ``known`` are the values of registers after it, if it is executed."""
        before = set(self._near) if conditional else set()
        near = {register for register, value in known.items() if self.holds(value)}
        target = _target(first, second)
        if _is_call(first, second):
            self._near -= {*CALLER_SAVED}
        elif target is not None:
            near_before = not self._near.isdisjoint(self._reads(first, second))
            derived = not _is_load(first) and (near_before or self.holds(_added(first, second)))
            self._near = self._near | {target} if derived else self._near - {target}
        self._near = {register for register in self._near if register not in known} | near | before


def _is_call(first: int, second: int) -> bool:
    return first & 0xFF80 == 0x4780 or (
        first & 0xF800 == 0xF000 and second & 0x9000 == 0x9000
    )  # BLX, BL and B.W


def _is_load(first: int) -> bool:
    if first >= FIRST_WIDE:
        return bool(first & 0xFE10 in (0xE810, 0xF810))
    group = first >> 11
    return (
        group in (0b01001, 0b01101, 0b01111, 0b10001, 0b10011)
        or first & 0xF800 == 0xC800
        or 0x5600 <= first < 0x6000
    )


def _added(first: int, second: int) -> int | None:
    """The constant of ADD.W and ORR.W."""
    if first & 0xFBE0 not in (0xF100, 0xF040):
        return None
    return modified_constant((first & 0x400) << 1 | (second & 0x7000) >> 4 | second & 0xFF)


def _target(first: int, second: int) -> int | None:
    """The register that an instruction sets; None if it sets none."""
    if _stored_with(first, second):
        return None
    if first >= FIRST_WIDE:
        if first & 0xF800 == 0xF000:
            return None if second & 0x8000 else second >> 8 & 15
        return second >> 8 & 15 if first & 0xFE00 == 0xEA00 else second >> 12 & 15
    compares = (
        first & 0xF800 == 0x2800 or first & 0xFFC0 in (0x4200, 0x4280, 0x42C0) or first & 0xFF00 == 0x4500
    )
    if compares or (first >= 0xB000 and first & 0xFF00 not in (0xB200, 0xBA00)):
        return None
    if first & 0xFC00 == 0x4400:
        return first >> 4 & 8 | first & 7
    by_eight = first & 0xE000 == 0x2000 or first & 0xF800 in (0x4800, 0x9800, 0xA000, 0xA800)
    return first >> 8 & 7 if by_eight else first & 7


def _stored_with(first: int, second: int) -> set[int]:
    """The registers that a store stores or takes its address from; none for other instructions."""
    if first >= FIRST_WIDE:
        if first & 0xFF10 == 0xF800:  # STR.W, STRB.W, STRH.W
            return {
                first & 15,
                second >> 12 & 15,
                *({second & 15} if not first & 0x80 and not second & 0xFC0 else ()),
            }
        if first & 0xFE50 == 0xE840:  # STRD, STREX
            return {first & 15, second >> 12 & 15, second >> 8 & 15}
        if first & 0xFE50 == 0xE800:  # STM
            return {first & 15, *(register for register in range(15) if second >> register & 1)}
        return set()
    group, low, middle = first >> 11, first & 7, first >> 3 & 7
    if group in (0b01100, 0b01110, 0b10000):
        return {low, middle}
    if group == 0b01010 and first & 0x0600 != 0x0600:
        return {low, middle, first >> 6 & 7}
    if group == 0b10010:
        return {first >> 8 & 7}
    if group == 0b11000:
        return {first >> 8 & 7, *(register for register in range(8) if first >> register & 1)}
    return set()
