"""What is known of registers, from one instruction to the next, and the stores that follow from it.

Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory); tests hold them to the assembler.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from gemel.m_profile.instructions.computed_addresses import moves, registers_set
from gemel.m_profile.instructions.halfwords import (
    CALLER_SAVED,
    FIRST_WIDE,
    modified_constant,
    moved_constant,
    wide_immediate,
)
from gemel.m_profile.instructions.memory_accesses import MemoryAccess, memory_access
from gemel.m_profile.instructions.wide_forms import PC
from gemel.structs import NamedTuple

MSPLIM, MSPLIM_NS, STACK_FROM, CALL, CPACR, VTOR, VTOR_NS, SYST_CSR = (
    "MSPLIM",
    "MSPLIM_NS",
    "stack from",
    "call",
    0xE000_ED88,
    0xE000_ED08,
    0xE002_ED08,
    0xE000_E010,
)
ICSR, NVIC_ISER = 0xE000_ED04, range(0xE000_E100, 0xE000_E140, 4)
"""Registers by which code requests exceptions, and enables interrupts."""

_MSP = 0x08
LIMITS = {0x0A: MSPLIM, 0x8A: MSPLIM_NS}
"""What MSR sets by the number of its register, and the same of the other security state."""

SEVERAL = 4
"""Values that a register may have where ways meet: of more, none is known."""


class KnownStore(NamedTuple):
    """A store of a word to a known ``target`` (an address, or the name of a special register).

    ``at`` is the address of the instruction, ``value`` what is stored (None: not known).  ``changed`` are the bits
    that are set and cleared where the value was read from the target itself, None where that is not known.  A call
    of a function whose address was put together has the target CALL and that address; a main stack pointer that is
    loaded from memory, as one goes into other code, has the target STACK_FROM and where it comes from.  ``either`` are
    the values of which the store has one, by the way that led to it.
    """

    at: int
    target: int | str
    value: int | None
    changed: Changed | None = None
    either: frozenset[int] = frozenset()

    @property
    def each(self) -> list[KnownStore]:
        """The same once for each value that it may have."""
        values = sorted(self.either)
        return [self._replace(value=value, either=frozenset()) for value in values] or [self]


class Changed(NamedTuple):
    """The bits of the word read from ``address`` that instructions have set and cleared since."""

    address: int
    ones: int = 0
    zeros: int = 0


class Registers:
    """What is known of the registers at one place."""

    def __init__(self, word_at: Callable[[int], int | None], known: dict[int, int] | None = None) -> None:
        self._known: dict[int, int] = known or {}
        self._changed: dict[int, Changed] = {}
        self._slots: dict[tuple[int, int], tuple[int | None, Changed | None]] = {}
        self._either: dict[int, frozenset[int]] = {}
        self._origins: dict[int, frozenset[int]] = {}
        self._word_at = word_at
        self.passed: dict[int, frozenset[int]] = {}
        self.marks: dict[object, int] = {}

    def copy(self) -> Registers:
        """The same, to be changed on its own."""
        other = Registers(self._word_at)
        other.become(self)
        return other

    def become(self, other: Registers) -> None:
        """Know what ``other`` does, and no more."""
        self._known, self._changed = dict(other._known), dict(other._changed)
        self._slots, self.marks = dict(other._slots), dict(other.marks)
        self._either, self._origins = dict(other._either), dict(other._origins)

    def may_hold(self, register: int) -> frozenset[int]:
        """The values of which a register has one; none where it may have others."""
        known = self._known.get(register)
        return self._either.get(register, frozenset()) if known is None else frozenset((known,))

    def _either_of(self, other: Registers) -> dict[int, frozenset[int]]:
        """What registers may hold where ways meet that do not agree on it."""
        found = {}
        for register in {*self._known, *self._either}:
            mine, theirs = self.may_hold(register), other.may_hold(register)
            if theirs and 1 < len(mine | theirs) <= SEVERAL:
                found[register] = mine | theirs
        return found

    def meet(self, other: Registers) -> bool:
        """Keep what both know, with the marks of both; whether anything changes."""
        either = self._either_of(other)
        changed, self._either = either != self._either, either
        pairs: tuple[tuple[dict[Any, Any], dict[Any, Any]], ...] = (
            (self._origins, other._origins),
            (self._known, other._known),
            (self._changed, other._changed),
            (self._slots, other._slots),
        )
        for mine, theirs in pairs:
            for key in [key for key, value in mine.items() if theirs.get(key) != value]:
                del mine[key]
                changed = True
        return self.add_marks(other.marks) or changed

    def add_marks(self, marks: Mapping[object, int]) -> bool:
        """Take marks on; whether there are others than before."""
        changed = False
        for place, kinds in marks.items():
            mine = self.marks.get(place, 0)
            if kinds & ~mine:
                self.marks[place] = mine | kinds
                changed = True
        return changed

    @property
    def known(self) -> dict[int, int]:
        """The registers whose values are known."""
        return self._known

    def set_here(self, register: int, address: int) -> int | Changed | None:
        """The constant that a register holds, or how the word at ``address`` in it was changed; None for others."""
        changed = self._changed.get(register)
        known = self._known.get(register)
        return changed if known is None and changed and changed.address == address else known

    def forget_values(self) -> None:
        """Know nothing but the marks."""
        self._known.clear()
        self._changed.clear()
        self._slots.clear()
        self._either.clear()
        self._origins.clear()

    def step(self, address: int, first: int, second: int) -> KnownStore | None:
        """Take one instruction in its wide form; the store that it does, if its target is known."""
        if access := memory_access(first, second):
            if (
                first & 0xFFF0 == 0xE840 or first & 0xFFF0 == 0xE8C0
            ):  # STREX and the like say whether they did
                self._set((second >> 8 if first & 0xFFF0 == 0xE840 else second) & 15, None)
            return self._transfer(address, access)
        if first & 0xFF80 == 0x4780:  # BLX
            called = self._known.get(first >> 3 & 15)
            self._call()
            return KnownStore(address, CALL, called)
        return self._compute(address, first, second) if first >= FIRST_WIDE else None

    def _set(self, register: int, value: int | None) -> None:
        self._changed.pop(register, None)
        self._either.pop(register, None)
        self._origins.pop(register, None)
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
        origins = frozenset(value + offset for value in self.may_hold(base))
        if address is None:
            value, changed = self._slots.get((base, offset), (None, None))
            self._set(register, value)
            if changed:
                self._changed[register] = changed
            if origins:
                self._origins[register] = origins
            return
        value = self._load(address)
        self._set(register, value)
        if value is None:
            self._changed[register] = Changed(address & 0xFFFF_FFFF)
            self._origins[register] = origins

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
        value, either = self._known.get(register), self._either.get(register, frozenset())
        return KnownStore(at, target & 0xFFFF_FFFF, value, same, either)

    def _transfer(self, at: int, access: MemoryAccess) -> KnownStore | None:
        """Load or store; what is stored as less or more than a word may be anywhere."""
        index = 0 if access.by is None else self._known.get(access.by)
        offset = None if index is None else access.offset + (index << access.shift)
        single = access.registers[0] if access.size == 4 and len(access.registers) == 1 else None
        store = None
        if access.loads and single is not None and offset is not None:
            self._read(single, access.base, offset)
        elif access.loads:
            for register in access.registers:
                self._set(register, None)
        elif single is not None and offset is not None:
            store = self._store(at, access.base, offset, single)
        else:
            self._slots.clear()
        if access.writeback is not None and not (access.loads and access.base in access.registers):
            self._set(access.base, self._plus(access.base, access.writeback))
        return store

    def _move(self, register: int, source: int) -> None:
        either, origins = self._either.get(source), self._origins.get(source)
        self._set(register, self._known.get(source))
        if either:
            self._either[register] = either
        if origins:
            self._origins[register] = origins

    def _call(self) -> None:
        self.passed = {register: self.may_hold(register) for register in CALLER_SAVED}
        self._slots.clear()
        for register in CALLER_SAVED:
            self._set(register, None)

    def _compute(self, address: int, first: int, second: int) -> KnownStore | None:
        base, target, operand = first & 15, second >> 12 & 15, second >> 8 & 15
        if first & 0xFFF0 == 0xF380 and second & 0xFF00 == 0x8800:  # MSR
            return self._special(address, second & 0xFF, base)
        if first & 0xF800 == 0xF000 and second & 0xD000 == 0xD000:  # BL
            self._call()
            return None
        if first & 0xF800 == 0xF000 and second & 0x8000:  # branches and barriers
            return None
        if first & 0xFFF0 == 0xF360:
            self._insert(operand, base, second)
            return None
        if moves(first, second):
            self._move(operand, second & 15)
            return None
        kind, of_constant = first >> 5 & 15, first & 0xFA00 == 0xF000
        of_register = first & 0xFE00 == 0xEA00 and not second & 0x70F0
        if (of_constant or of_register) and kind < 3 and PC not in (base, operand):
            self._combine(operand, kind, first, second, of_constant=of_constant)
            return None
        value, known = self._value(address, first, second)
        register = target if first & 0xFE00 == 0xF800 else operand
        if known and register != PC:
            self._set(register, value)
        else:
            for each in registers_set(first, second):
                self._set(each, None)
        return None

    def _combine(self, register: int, kind: int, first: int, second: int, *, of_constant: bool) -> None:
        """AND, BIC, ORR (kinds 0 to 2): of two registers the known one says which bits of the other change."""
        mask, base = self._known.get(second & 15), first & 15
        if of_constant:
            mask = modified_constant(wide_immediate(first, second))
        elif mask is None and kind != 1:
            mask, base = self._known.get(base), second & 15
        bits = ~mask & 0xFFFF_FFFF if kind == 0 and mask is not None else mask
        self._change(register, base, bits, ones=kind == 2)

    def _insert(self, register: int, source: int, second: int) -> None:
        """BFI of another register's lowest bits, or BFC, which clears the field."""
        lowest, highest = second >> 10 & 0x1C | second >> 6 & 3, second & 31
        field, value = (2 << highest) - (1 << lowest), 0 if source == 15 else self._known.get(source)
        self._change(register, register, None if value is None else field, ones=False)
        if value:
            self._change(register, register, value << lowest & field, ones=True)

    def _special(self, address: int, special: int, register: int) -> KnownStore | None:
        """MSR of a register: the stack limit, or a stack pointer of which is known or not where it comes from."""
        value, either = self._known.get(register), self._either.get(register, frozenset())
        if special in LIMITS:
            return KnownStore(address, LIMITS[special], value, either=either)
        if special & 0x7F != _MSP or value is not None or either:
            return None
        origins = self._origins.get(register, frozenset())
        only = next(iter(origins)) if len(origins) == 1 else None
        return KnownStore(address, STACK_FROM, only, either=origins if only is None else frozenset())

    def _value(self, address: int, first: int, second: int) -> tuple[int | None, bool]:
        """What a wide instruction leaves in its register, and whether it is one of those that are followed."""
        base, operand = first & 15, second >> 8 & 15
        if first == 0xF8DF:
            return self._load((address + 4 & ~3) + (second & 0xFFF)), True
        if first == 0xF85F:
            return self._load((address + 4 & ~3) - (second & 0xFFF)), True
        if first & 0xFBF0 == 0xF240:
            return moved_constant(first, second), True
        if first & 0xFBF0 == 0xF2C0:
            known = self._known.get(operand)
            return None if known is None else known & 0xFFFF | moved_constant(first, second) << 16, True
        encoded = wide_immediate(first, second)
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
        return self._of_registers(first, second)

    def _of_registers(self, first: int, second: int) -> tuple[int | None, bool]:
        """LSL by a constant, MVN, ADD of two registers."""
        value, amount = self._known.get(second & 15), second >> 10 & 0x1C | second >> 6 & 3
        if first & 0xFFEF == 0xEA4F and not second & 0x30:
            return None if value is None else value << amount, True
        if first & 0xFFEF == 0xEA6F and not second & 0x70F0:
            return None if value is None else ~value, True
        if first & 0xFFE0 == 0xEB00 and not second & 0x70F0:
            return None if value is None else self._plus(first & 15, value), True
        return None, False


def set_mark(marks: dict[object, int], place: object, bits: int) -> None:
    """Mark a register or a place on the stack with these bits, or with nothing where there are none."""
    if bits & 0xFFFF_FFFF:
        marks[place] = bits & 0xFFFF_FFFF
    else:
        marks.pop(place, None)
