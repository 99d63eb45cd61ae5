"""What code stores at addresses that its instructions put together, and what it sets special registers to.

Registers are followed through straight stretches of code: literals, moves, sums and shifts of constants, and what
was stored before at the same distance from the same register, as compilers keep variables when they do not
optimise.  What else is loaded from RAM, or comes from a caller, is not known, and a call forgets what it may change
(AAPCS32: r0-r3, r12, and memory).
Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory); tests hold them to the assembler.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Mapping

from gemel.m_profile.halfwords import FIRST_WIDE
from gemel.m_profile.known_registers import KnownStore, Registers
from gemel.m_profile.memory_accesses import SP
from gemel.spans import Span
from gemel.structs import NamedTuple


def known_stores(code: bytes, start: int, word_at: Callable[[int], int | None]) -> list[KnownStore]:
    """Every store of ``code``, a function that runs at ``start``, whose target is known.

    ``word_at`` gives the word that is stored for an address (None: not known, or not constant).
    """
    return followed(Function(code, start), Registers(word_at))


Observer = Callable[[int, int, int, "Mapping[int, int]", "Registers", "int | None"], None]
"""Called for each instruction: its address and halfwords, what was known before, the registers after it, and the
function that it calls if its address is known."""

PASSES = 8
"""How often a function is gone through until what is known where branches meet stays as it is."""


class _Step(NamedTuple):
    """An instruction: whether branches arrive ``here``, where it leads, how many it makes conditional."""

    address: int
    first: int
    second: int
    here: bool
    leads_to: tuple[int, ...]
    ends: bool
    covers: int


class Function:
    """The instructions of a function, without the words and tables that they load."""

    def __init__(self, code: bytes, start: int) -> None:
        self.span = Span(start, len(code))
        decoded = list(_without_literals(code, start))
        jumps = {
            address: _leads_to(code, start, address, first, second) for address, first, second in decoded
        }
        targets = {target for each in jumps.values() for target in each}
        self.steps = [
            _Step(
                address,
                first,
                second,
                address in targets,
                jumps[address],
                _ends(first, second),
                _covered(first) if first & 0xFF00 == 0xBF00 and first & 15 else 0,
            )
            for address, first, second in decoded
        ]
        self.jumps_anywhere = any(is_unknown_jump(first, second) for _, first, second in decoded)


def followed(function: Function, registers: Registers, observe: Observer | None = None) -> list[KnownStore]:
    """The stores of a function from ``registers`` on, with everything that ``observe`` marks in them.

    Where branches meet, what all of them agree on is known.  Nothing is where code is reached by other ways.
    """
    walk = _Walk(function)
    for _ in range(PASSES):
        stores = walk.once(registers.copy(), observe)
        if not walk.changed:
            return stores
    walk.anywhere = True
    return walk.once(registers.copy(), observe)


class _Walk:
    """A function, and what is known where its branches arrive."""

    def __init__(self, function: Function) -> None:
        self._steps, self.anywhere = function.steps, function.jumps_anywhere
        self._arrived: dict[int, Registers] = {}
        self._anywhere = Registers(lambda _: None)
        self.changed = False

    def once(self, registers: Registers, observe: Observer | None) -> list[KnownStore]:
        """Go through all of it, in its order; ``changed`` says whether another time may give something else."""
        self.changed = False
        stores, conditional, falls = [], 0, True
        for address, first, second, here, leads_to, ends, covers in self._steps:
            if here or not falls:
                self._arrive(address, registers, falls=falls)
            before = dict(registers.known) if conditional or observe else registers.known
            for target in leads_to:
                self._leave(target, registers, back=target <= address)
            store = None if ends else registers.step(address, first, second)
            falls = bool(conditional) or not ends
            if conditional:
                registers.keep_only(before)
            if observe:
                marks = dict(registers.marks) if conditional else {}
                observe(address, first, second, before, registers, store.value if store else None)
                registers.add_marks(marks)
                if self.anywhere:
                    self.changed |= self._anywhere.add_marks(registers.marks)
                    registers.add_marks(self._anywhere.marks)
            conditional = covers or max(0, conditional - 1)
            if store:
                stores.append(store)
        return stores

    def _arrive(self, address: int, registers: Registers, *, falls: bool) -> None:
        arrived = self._arrived.get(address)
        if self.anywhere or (arrived is None and not falls):
            self.changed |= self._anywhere.add_marks(registers.marks)
            registers.forget_all()
            registers.add_marks(self._anywhere.marks)
        elif arrived is not None and falls:
            registers.meet(arrived)
        elif arrived is not None:
            registers.become(arrived)

    def _leave(self, target: int, registers: Registers, *, back: bool) -> None:
        arrived = self._arrived.get(target)
        if arrived is None:
            self._arrived[target] = registers.copy()
            self.changed |= back
        elif arrived.meet(registers):
            self.changed = True


def _without_literals(code: bytes, start: int) -> Iterator[tuple[int, int, int]]:
    """The instructions with their addresses, but not the words and tables that those before them load."""
    at, literals = 0, set()
    while at + 2 <= len(code):
        if start + at in literals:
            at += 4
            continue
        first, second = struct.unpack_from("<HH", code.ljust(at + 4, b"\0"), at)
        wide = first >= FIRST_WIDE and at + 4 <= len(code)
        here = start + at + 4 & ~3
        if first & 0xF800 == 0x4800:
            literals.add(here + 4 * (first & 0xFF))
        elif first == 0xF8DF:
            literals.add(here + (second & 0xFFF))
        yield start + at, first, second if wide else 0
        if _is_table_branch(first, second):
            at = min(_table(code, start, start + at, second), default=start + at + 4) - start
        else:
            at += 4 if wide else 2


def _is_table_branch(first: int, second: int) -> bool:
    """TBB or TBH with the table after it."""
    return first == 0xE8DF and second & 0xFFE0 == 0xF000


def _table(code: bytes, start: int, address: int, second: int) -> list[int]:
    """Where a table of branches leads: it ends where the first of its targets is."""
    size, base = 2 if second & 0x10 else 1, address + 4
    targets: list[int] = []
    at = base
    while at + size <= min(targets, default=start + len(code)):
        targets.append(base + 2 * int.from_bytes(code[at - start : at - start + size], "little"))
        at += size
    return targets


def _leads_to(code: bytes, start: int, address: int, first: int, second: int) -> tuple[int, ...]:
    """Where a branch leads besides the next instruction; nowhere for others."""
    if _is_table_branch(first, second):
        return tuple(_table(code, start, address, second))
    distance = branch_distance(first, second)
    return () if distance is None else (address + 4 + distance,)


def _covered(first: int) -> int:
    """How many instructions an IT covers (section A7.7.38 of the Armv7-M manual)."""
    return 4 - ((first & 15 & -(first & 15)).bit_length() - 1)


def is_return(first: int, second: int) -> bool:
    """Whether the instruction leaves the function by an address in a register or on the stack."""
    popped = first & 0xFF00 == 0xBD00 or (first & 0xFE50 == 0xE810 and second & 0x8000 != 0)
    return popped or first & 0xFF80 == 0x4700 or (first & 0xFF70 == 0xF850 and second >> 12 == 15)


def is_unknown_jump(first: int, second: int) -> bool:
    """TBB and TBH with a table elsewhere, and moves, sums and loads to the program counter that do not return."""
    loads = first & 0xFF70 == 0xF850 and second >> 12 == 15 and first & 15 != SP
    tables = first & 0xFFF0 == 0xE8D0 and second & 0xFFE0 == 0xF000 and first != 0xE8DF
    return loads or tables or first & 0xFD87 == 0x4487


def _ends(first: int, second: int) -> bool:
    """Whether the next instruction is not executed after this one."""
    jumps = first & 0xF800 == 0xE000 or (first & 0xF800 == 0xF000 and second & 0xD000 == 0x9000)
    return (
        jumps or is_return(first, second) or _is_table_branch(first, second) or is_unknown_jump(first, second)
    )


def branch_distance(first: int, second: int, *, calls: bool = False) -> int | None:
    """How far a branch leads, or BL if ``calls``, from the address of the instruction plus 4; None for others."""
    if first & 0xF000 == 0xD000 and first >> 8 & 0xF < 0xE:
        distance = (first & 0xFF) << 1
        return distance - 0x200 if distance & 0x100 else distance
    if first & 0xF800 == 0xE000:
        distance = (first & 0x7FF) << 1
        return distance - 0x1000 if distance & 0x800 else distance
    if first & 0xF500 == 0xB100:
        return (first & 0x200) >> 3 | (first & 0xF8) >> 2
    if first & 0xF800 == 0xF000 and second & 0xD000 == 0x8000 and first >> 6 & 0xF < 0xE:
        distance = (first & 0x3F) << 12 | (second & 0x7FF) << 1
        distance |= (second & 0x2000) << 5 | (second & 0x800) << 8
        return distance - (1 << 20) if first & 0x400 else distance
    if first & 0xF800 == 0xF000 and second & 0xD000 in ((0x9000, 0xD000) if calls else (0x9000,)):
        return call_distance(first, second)
    return None


def call_distance(first: int, second: int) -> int:
    """How far BL or B.W leads, from the address of the instruction plus 4."""
    sign = first >> 10 & 1
    one, two = ~(second >> 13 ^ sign) & 1, ~(second >> 11 ^ sign) & 1
    distance = one << 23 | two << 22 | (first & 0x3FF) << 12 | (second & 0x7FF) << 1
    return distance - (1 << 24) if sign else distance
