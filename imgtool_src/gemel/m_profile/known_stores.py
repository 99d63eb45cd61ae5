"""What code stores at addresses that its instructions put together, and what it sets special registers to.

Registers are followed through straight stretches of code: literals, moves, sums and shifts of constants, and what
was stored before at the same distance from the same register, as compilers keep variables when they do not
optimise.  What else is loaded from RAM, or comes from a caller, is not known, and a call forgets what it may change
(AAPCS32: r0-r3, r12, and memory).
Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory); tests hold them to the assembler.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator

from gemel.m_profile.halfwords import CALLER_SAVED, FIRST_WIDE, modified_constant
from gemel.structs import NamedTuple

MSPLIM, CALL, CPACR, VTOR = "MSPLIM", "call", 0xE000_ED88, 0xE000_ED08
ELSEWHERE = "elsewhere"
_SPECIAL = {0x0A: MSPLIM}
_SP = 13


class KnownStore(NamedTuple):
    """A store of a word to a known ``target`` (an address, or the name of a special register).

    ``at`` is the address of the instruction, ``value`` what is stored (None: not known).  ``changed`` are the bits
    that are set and cleared where the value was read from the target itself, None where that is not known.  A call
    of a function whose address was put together has the target CALL and that address.  ELSEWHERE: an address near the
    watched one is stored, passed or returned, or takes part in the address of a store that is not known.
    """

    at: int
    target: int | str
    value: int | None
    changed: Changed | None = None


class Changed(NamedTuple):
    """The bits of the word read from ``address`` that instructions have set and cleared since."""

    address: int
    ones: int = 0
    zeros: int = 0


def known_stores(
    code: bytes,
    start: int,
    word_at: Callable[[int], int | None],
    entries: frozenset[int] = frozenset(),
    watched: int | None = None,
) -> Iterator[KnownStore]:
    """Every store of ``code``, run at ``start``, whose target is known.

    ``word_at`` gives the word that is stored for an address (None: not known, or not constant); ``entries`` are
    addresses at which nothing is known, such as starts of functions.  ``watched`` is an address of which it is
    reported too where it may be stored to in a way that is not followed.
    """
    state = _Registers(word_at)
    near = None
    if watched is not None:
        from gemel.m_profile.near_registers import NearRegisters

        near = NearRegisters(watched)
    targets = _branch_targets(code, start) | entries
    conditional = 0
    for at, first, second in instructions(code):
        address = start + at
        if address in targets:
            state.forget_all()
        before = dict(state.known) if conditional else None
        leaks = near.leaks(first, second) if near else False
        store = state.step(address, first, second)
        if before is not None:
            state.keep_only(before)
        if near:
            near.step(first, second, state.known, conditional=conditional > 0)
        conditional = _covered(first) if first & 0xFF00 == 0xBF00 and first & 15 else max(0, conditional - 1)
        if store:
            yield store
        if leaks and near and not (store and isinstance(store.target, int) and not near.holds(store.value)):
            yield KnownStore(address, ELSEWHERE, None)


def instructions(code: bytes) -> Iterator[tuple[int, int, int]]:
    """Offset, first halfword and second (0 if it has none) of each instruction of a stretch of code."""
    at = 0
    while at + 2 <= len(code):
        (first,) = struct.unpack_from("<H", code, at)
        wide = first >= FIRST_WIDE and at + 4 <= len(code)
        yield at, first, struct.unpack_from("<H", code, at + 2)[0] if wide else 0
        at += 4 if wide else 2


def _covered(first: int) -> int:
    """How many instructions an IT covers (section A7.7.38 of the Armv7-M manual)."""
    return 4 - ((first & 15 & -(first & 15)).bit_length() - 1)


def _branch_targets(code: bytes, start: int) -> frozenset[int]:
    targets = set()
    for at, first, second in instructions(code):
        distance = None
        if first & 0xF000 == 0xD000 and first >> 8 & 0xF < 0xE:
            distance = (first & 0xFF) << 1
            distance -= 0x200 if distance & 0x100 else 0
        elif first & 0xF800 == 0xE000:
            distance = (first & 0x7FF) << 1
            distance -= 0x1000 if distance & 0x800 else 0
        elif first & 0xF500 == 0xB100:
            distance = (first & 0x200) >> 3 | (first & 0xF8) >> 2
        elif first & 0xF800 == 0xF000 and second & 0xD000 == 0x8000 and first >> 6 & 0xF < 0xE:
            distance = (first & 0x3F) << 12 | (second & 0x7FF) << 1
            distance |= (second & 0x2000) << 5 | (second & 0x800) << 8
            distance -= 1 << 20 if first & 0x400 else 0
        elif first & 0xF800 == 0xF000 and second & 0xD000 == 0x9000:
            distance = call_distance(first, second)
        if distance is not None:
            targets.add(start + at + 4 + distance)
    return frozenset(targets)


def call_distance(first: int, second: int) -> int:
    """How far BL or B.W leads, from the address of the instruction plus 4."""
    sign = first >> 10 & 1
    one, two = ~(second >> 13 ^ sign) & 1, ~(second >> 11 ^ sign) & 1
    distance = one << 23 | two << 22 | (first & 0x3FF) << 12 | (second & 0x7FF) << 1
    return distance - (1 << 24) if sign else distance


class _Registers:
    """What is known of the registers at one place."""

    def __init__(self, word_at: Callable[[int], int | None]) -> None:
        self._known: dict[int, int] = {}
        self._changed: dict[int, Changed] = {}
        self._slots: dict[tuple[int, int], tuple[int | None, Changed | None]] = {}
        self._word_at = word_at

    @property
    def known(self) -> dict[int, int]:
        """The registers whose values are known."""
        return self._known

    def keep_only(self, before: dict[int, int]) -> None:
        """Forget what an instruction that may not be executed has changed."""
        for register in {*before, *self._known}:
            if before.get(register) != self._known.get(register):
                self._set(register, None)

    def forget_all(self) -> None:
        self._known.clear()
        self._changed.clear()
        self._slots.clear()

    def step(self, address: int, first: int, second: int) -> KnownStore | None:
        """Take one instruction; the store that it does, if its target is known."""
        return self._wide(address, first, second) if first >= FIRST_WIDE else self._narrow(address, first)

    def _set(self, register: int, value: int | None) -> None:
        self._changed.pop(register, None)
        for slot in [slot for slot in self._slots if slot[0] == register]:
            del self._slots[slot]
        if value is None:
            self._known.pop(register, None)
        else:
            self._known[register] = value & 0xFFFF_FFFF

    def _plus(self, register: int, amount: int) -> int | None:
        value = self._known.get(register)
        return None if value is None else value + amount

    def _load(self, address: int | None) -> int | None:
        return None if address is None else self._word_at(address & 0xFFFF_FFFF)

    def _read(self, register: int, base: int, offset: int) -> None:
        """Load a register: with a constant, what was stored there, or what is followed as bits that change."""
        address = self._plus(base, offset)
        if address is None:
            value, changed = self._slots.get((base, offset), (None, None))
            self._set(register, value)
            if changed:
                self._changed[register] = changed
            return
        value = self._load(address)
        self._set(register, value)
        if value is None and address is not None:
            self._changed[register] = Changed(address & 0xFFFF_FFFF)

    def _change(self, register: int, base: int, bits: int | None, *, ones: bool) -> None:
        """Set (``ones``) or clear bits of ``base``, into another register or the same."""
        value, changed = self._known.get(base), self._changed.get(base)
        if bits is None or value is None:
            self._set(register, None)
        else:
            self._set(register, value | bits if ones else value & ~bits)
        if bits is not None and changed:
            self._changed[register] = (
                changed._replace(ones=changed.ones | bits, zeros=changed.zeros & ~bits)
                if ones
                else changed._replace(ones=changed.ones & ~bits, zeros=changed.zeros | bits)
            )

    def _store(self, at: int, base: int, offset: int, register: int) -> KnownStore | None:
        target = self._plus(base, offset)
        changed = self._changed.get(register)
        if target is None:
            self._slots[base, offset] = self._known.get(register), changed
            return None
        same = changed if changed and changed.address == target & 0xFFFF_FFFF else None
        return KnownStore(at, target & 0xFFFF_FFFF, self._known.get(register), same)

    def _narrow(self, address: int, first: int) -> KnownStore | None:
        group, low, middle = first >> 11, first & 7, first >> 3 & 7
        if group == 0b01100:  # STR (immediate)
            return self._store(address, middle, (first >> 6 & 31) << 2, low)
        if group == 0b10010:  # STR to the stack
            return self._store(address, _SP, (first & 0xFF) << 2, first >> 8 & 7)
        index = self._known.get(first >> 6 & 7)
        if first & 0xFE00 == 0x5000 and index is not None:  # STR (register)
            return self._store(address, middle, index, low)
        if group in (0b01110, 0b10000) or first & 0xFE00 in (0x5000, 0x5200, 0x5400):
            self._slots.clear()  # STRB, STRH, and stores with a register as offset
            return None
        if first & 0xFE00 == 0x5800 and index is not None:  # LDR (register)
            self._read(low, middle, index)
            return None
        if group == 0b01001:  # LDR (literal)
            self._set(first >> 8 & 7, self._load((address + 4 & ~3) + 4 * (first & 0xFF)))
        elif group == 0b00100:  # MOVS #
            self._set(first >> 8 & 7, first & 0xFF)
        elif group in (0b00110, 0b00111):  # ADDS #, SUBS #
            amount = first & 0xFF
            self._set(first >> 8 & 7, self._plus(first >> 8 & 7, amount if group == 0b00110 else -amount))
        elif group == 0b00101:  # CMP #
            return None
        elif group == 0:  # LSLS #
            value = self._known.get(middle)
            self._set(low, None if value is None else value << (first >> 6 & 31))
        elif first & 0xFC00 == 0x1C00:  # ADDS, SUBS with three bits
            amount = first >> 6 & 7
            self._set(low, self._plus(middle, -amount if first & 0x200 else amount))
        elif first & 0xFE00 == 0x1800:  # ADDS of two registers
            other = self._known.get(first >> 6 & 7)
            self._set(low, None if other is None else self._plus(middle, other))
        elif first & 0xFF00 == 0x4600:  # MOV
            self._set(first >> 4 & 8 | low, self._known.get(first >> 3 & 15))
        elif first & 0xF800 == 0xA000:  # ADR
            self._set(first >> 8 & 7, (address + 4 & ~3) + 4 * (first & 0xFF))
        elif group == 0b01101:  # LDR (immediate)
            self._read(low, middle, (first >> 6 & 31) << 2)
        elif group == 0b10011:  # LDR from the stack
            self._read(first >> 8 & 7, _SP, (first & 0xFF) << 2)
        elif first & 0xFF00 == 0xB000:  # ADD and SUB of the stack pointer
            self._set(_SP, None)
        elif first & 0xFFC0 in (0x4300, 0x4380):  # ORRS, BICS
            ones = first & 0xFFC0 == 0x4300
            bits, base = (middle, low) if middle in self._known or not ones else (low, middle)
            self._change(low, base, self._known.get(bits), ones=ones)
        elif first & 0xFFC0 == 0x4000:  # ANDS
            mask, base = (middle, low) if middle in self._known else (low, middle)
            kept = self._known.get(mask)
            self._change(low, base, None if kept is None else ~kept & 0xFFFF_FFFF, ones=False)
        elif first & 0xFF80 == 0x4780:  # BLX
            called = self._known.get(first >> 3 & 15)
            self._call()
            return KnownStore(address, CALL, called)
        elif first & 0xFF80 == 0x4700 or first & 0xF800 == 0xE000:  # BX, B
            self.forget_all()
        elif first & 0xFE00 == 0xBC00:  # POP
            for register in range(8):
                if first >> register & 1:
                    self._set(register, None)
            if first & 0x100:
                self.forget_all()
        elif first & 0xF800 == 0xC800:  # LDM
            for register in range(8):
                if first >> register & 1:
                    self._set(register, None)
            self._set(first >> 8 & 7, None)
        elif first & 0xF800 in (0xC000, 0xA800):  # STM, ADD to the stack pointer
            self._set(first >> 8 & 7, None)
        elif first & 0xF000 not in (0xB000, 0xD000) or first & 0xFF00 in (0xB200, 0xBA00):
            self._set(low, None)
            if first & 0xFF00 == 0x4400:
                self._set(first >> 4 & 8 | low, None)
        return None

    def _call(self) -> None:
        self._slots.clear()
        for register in CALLER_SAVED:
            self._set(register, None)

    def _wide(self, address: int, first: int, second: int) -> KnownStore | None:
        base, target, operand = first & 15, second >> 12 & 15, second >> 8 & 15
        if first & 0xFFF0 == 0xF8C0:  # STR.W
            return self._store(address, base, second & 0xFFF, target)
        if first & 0xFFF0 == 0xF840 and second & 0x0D00 == 0x0C00:  # STR.W with a negative offset
            return self._store(address, base, -(second & 0xFF), target)
        if first & 0xFFF0 == 0xF380 and second & 0xFF00 == 0x8800:  # MSR
            name = _SPECIAL.get(second & 0x7F)
            return KnownStore(address, name, self._known.get(base)) if name else None
        if first & 0xF800 == 0xF000 and second & 0xD000 == 0xD000:  # BL
            self._call()
            return None
        if first & 0xF800 == 0xF000 and second & 0x8000:  # branches and barriers
            if second & 0xD000 == 0x9000:
                self.forget_all()
            return None
        if first & 0xFBE0 in (0xF040, 0xF020) and base != 15:  # ORR, BIC (immediate)
            encoded = (first & 0x400) << 1 | (second & 0x7000) >> 4 | second & 0xFF
            self._change(operand, base, modified_constant(encoded), ones=first & 0xFBE0 == 0xF040)
            return None
        if first & 0xFBE0 == 0xF000 and operand != 15:  # AND (immediate)
            encoded = (first & 0x400) << 1 | (second & 0x7000) >> 4 | second & 0xFF
            self._change(operand, base, ~modified_constant(encoded) & 0xFFFF_FFFF, ones=False)
            return None
        if first & 0xFFF0 == 0xF8D0 and base != 15:  # LDR.W
            self._read(target, base, second & 0xFFF)
            return None
        if (
            first & 0xFE00 == 0xE800 or first & 0xFF40 == 0xF800
        ):  # STRD, STM and the like, STRB.W, STRH.W, STR.W
            self._slots.clear()
        value, known = self._value(address, first, second)
        if known:
            self._set(operand if first & 0xF800 == 0xF000 else target, value)
        elif first & 0xFFD0 == 0xE890:  # LDM.W
            for register in range(15):
                if second >> register & 1:
                    self._set(register, None)
            if second & 0x8000:
                self.forget_all()
        elif first & 0xFF70 not in (0xF840, 0xF800, 0xF820):
            self._set(operand, None)
            self._set(target, None)
        return None

    def _value(self, address: int, first: int, second: int) -> tuple[int | None, bool]:
        """What a wide instruction leaves in its register, and whether it is one of those that are followed."""
        base, operand = first & 15, second >> 8 & 15
        encoded = (first & 0x400) << 1 | (second & 0x7000) >> 4 | second & 0xFF
        wide = (first & 15) << 12 | encoded
        if first & 0xFFFF == 0xF8DF:
            return self._load((address + 4 & ~3) + (second & 0xFFF)), True
        if first == 0xF85F:
            return self._load((address + 4 & ~3) - (second & 0xFFF)), True
        if first & 0xFBF0 == 0xF240:
            return wide, True
        if first & 0xFBF0 == 0xF2C0:
            known = self._known.get(operand)
            return None if known is None else known & 0xFFFF | wide << 16, True
        if first & 0xFBFF in (0xF04F, 0xF05F):
            return modified_constant(encoded), True
        if first & 0xFBFF in (0xF06F, 0xF07F):
            return ~modified_constant(encoded), True
        if first & 0xFBE0 == 0xF100:
            return self._plus(base, modified_constant(encoded)), True
        if first & 0xFBE0 == 0xF1A0:
            return self._plus(base, -modified_constant(encoded)), True
        if first & 0xFBF0 == 0xF200:
            return (address + 4 & ~3) + encoded if base == 15 else self._plus(base, encoded), True
        if first & 0xFBF0 == 0xF2A0:
            return (address + 4 & ~3) - encoded if base == 15 else self._plus(base, -encoded), True
        return None, False
