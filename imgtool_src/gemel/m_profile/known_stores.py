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

from gemel.m_profile.halfwords import (
    CASE_ROUTINES,
    FIRST_WIDE,
    BranchTable,
    branch_distance,
    call_distance,
    entries_of_table,
    is_return,
    is_table_branch,
)
from gemel.m_profile.known_registers import KnownStore, Registers
from gemel.m_profile.memory_accesses import SP
from gemel.spans import Span, align_up
from gemel.structs import NamedTuple


def known_stores(code: bytes, start: int, word_at: Callable[[int], int | None]) -> list[KnownStore]:
    """Every store of ``code``, a function that runs at ``start``, whose target is known.

    ``word_at`` gives the word that is stored for an address (None: not known, or not constant).
    """
    return followed(Function(code, start, word_at), Registers(word_at))


Observer = Callable[[int, int, int, "Mapping[int, int]", "Registers", "int | None"], None]
"""Called for each instruction: its address and halfwords, what was known before, the registers after it, and the
function that it calls if its address is known."""

WORD = 4

PASSES = 8
"""How often a function is gone through until what is known where branches meet stays as it is."""


class _Step(NamedTuple):
    """An instruction: whether branches arrive ``here``, where it leads, and each that it makes conditional.

    Of these, whether it is executed where the first one is.
    """

    address: int
    first: int
    second: int
    here: bool
    leads_to: tuple[int, ...]
    ends: bool
    covers: tuple[bool, ...]


_CASES = {struct.unpack("<3I", routine[:12]): form for routine, form in CASE_ROUTINES.items()}
"""The forms of tables by the first words of the routines that choose a ``case``."""


class Function:
    """The instructions of a function, without the words and tables that they load.

    ``word_at`` gives the word at an address outside of it, by which routines for a switch are known.
    """

    def __init__(self, code: bytes, start: int, word_at: Callable[[int], int | None] | None = None) -> None:
        self.span = Span(start, len(code))
        tables: dict[int, list[int]] = {}
        decoded = list(_without_literals(code, start, word_at, tables))
        jumps = {
            address: tuple(tables[address]) if address in tables else _leads_to(address, first, second)
            for address, first, second in decoded
        }
        targets = {target for each in jumps.values() for target in each}
        self.steps = [
            _Step(
                address,
                first,
                second,
                address in targets,
                jumps[address],
                address in tables or ends_stretch(first, second),
                _covered(first) if first & 0xFF00 == 0xBF00 and first & 15 else (),
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
    walk.jump_anywhere()
    return walk.once(registers.copy(), observe)


class _Walk:
    """A function, and what is known where its branches arrive."""

    def __init__(self, function: Function) -> None:
        self._steps, self._jumps = function.steps, function.jumps_anywhere
        self._arrived: dict[int, Registers] = {}
        self._anywhere = Registers(lambda _: None)
        self.changed = False

    def jump_anywhere(self) -> None:
        """From now on every branch may arrive wherever one does."""
        self._jumps = True
        for each in self._arrived.values():
            self._anywhere.add_marks(each.marks)

    def once(self, registers: Registers, observe: Observer | None) -> list[KnownStore]:
        """Go through all of it, in its order; ``changed`` says whether another time may give something else."""
        self.changed = False
        stores, falls, other = list[KnownStore](), True, registers
        block, as_first = tuple[bool, ...](), True
        for address, first, second, here, leads_to, ends, covers in self._steps:
            if here or not falls:
                self._arrive(address, registers, falls=falls)
            if block and block[0] != as_first:
                registers, other, as_first = other, registers, block[0]
            before = dict(registers.known) if observe else registers.known
            for target in leads_to:
                self._leave(target, registers, back=target <= address)
            if ends and self._jumps and is_unknown_jump(first, second):
                self.changed |= self._anywhere.add_marks(registers.marks)
            store = None if ends else registers.step(address, first, second)
            falls = bool(block) or not ends
            if observe:
                observe(address, first, second, before, registers, store.value if store else None)
            if store:
                stores.append(store)
            if len(block) == 1 and ends:
                registers = other
            elif len(block) == 1:
                registers.meet(other)
            block = covers or block[1:]
            if covers:
                other, as_first = registers.copy(), True
        return stores

    def _arrive(self, address: int, registers: Registers, *, falls: bool) -> None:
        arrived = self._arrived.get(address)
        by_none = arrived is None and not falls
        if by_none:
            self.changed |= self._anywhere.add_marks(registers.marks)
            registers.marks.clear()
        elif arrived is not None and falls:
            registers.meet(arrived)
        elif arrived is not None:
            registers.become(arrived)
        if by_none or self._jumps:
            registers.forget_values()
            registers.add_marks(self._anywhere.marks)

    def _leave(self, target: int, registers: Registers, *, back: bool) -> None:
        arrived = self._arrived.get(target)
        if arrived is None:
            self._arrived[target] = registers.copy()
            self.changed |= back
        elif arrived.meet(registers):
            self.changed = True


def _without_literals(
    code: bytes, start: int, word_at: Callable[[int], int | None] | None, tables: dict[int, list[int]]
) -> Iterator[tuple[int, int, int]]:
    """The instructions with their addresses, but not the words and tables that those before them load.

    ``tables`` gets where each branch by a table leads, by its address.
    """
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
        table = _table(code, start, start + at, first, second, word_at) if wide else None
        if table is not None:
            tables[start + at], after = table
            at = after - start
        else:
            at += 4 if wide else 2


def _table(
    code: bytes,
    start: int,
    address: int,
    first: int,
    second: int,
    word_at: Callable[[int], int | None] | None,
) -> tuple[list[int], int] | None:
    """Where a branch by the table after it leads, TBB, TBH, or a call of CASE_ROUTINES, and what is after the table.

    None for others.  The table has as many entries as its index is compared with before, and ends where the first
    of its targets after it is.
    """
    base, index = address + 4, 0
    if is_table_branch(first, second):
        form, index = BranchTable(2 if second & 0x10 else 1, False, 2), second & 15
    elif word_at and (case := _case(address, first, second, word_at)):
        form = case
        base = align_up(base, form.width if form.width == WORD else 1)
    else:
        return None
    size, signed, scale = form
    targets: list[int] = []
    at, end, entries = base, start + len(code), entries_of_table(code, address - start, index)
    while at + size <= end and len(targets) != entries:
        entry = int.from_bytes(code[at - start : at - start + size], "little", signed=signed)
        target = base + scale * entry & ~1
        filled = base <= target <= at  # 0 after an odd number of bytes
        if filled or (signed and not start <= target < start + len(code)):
            break
        targets.append(target)
        end = min(end, target) if target >= base else end
        at += size
    whole = len(targets) == entries
    return targets, align_up(at, 2) if whole else min(
        (each for each in targets if each > address), default=base
    )


def _case(address: int, first: int, second: int, word_at: Callable[[int], int | None]) -> BranchTable | None:
    if first & 0xF800 != 0xF000 or second & 0xD000 != 0xD000:
        return None
    routine = address + 4 + call_distance(first, second)
    if routine % WORD or word_at(routine) not in {words[0] for words in _CASES}:
        return None
    return _CASES.get((word_at(routine), word_at(routine + WORD), word_at(routine + 2 * WORD)))


def _leads_to(address: int, first: int, second: int) -> tuple[int, ...]:
    """Where a branch leads besides the next instruction; nowhere for others."""
    distance = branch_distance(first, second)
    return () if distance is None else (address + 4 + distance,)


def _covered(first: int) -> tuple[bool, ...]:
    """Of each instruction that an IT covers, if it has the first one's condition (A7.7.38 of the Armv7-M manual)."""
    size = 4 - ((first & 15 & -(first & 15)).bit_length() - 1)
    same = first >> 4 & 1
    return True, *((first >> 4 - index & 1) == same for index in range(1, size))


def is_unknown_jump(first: int, second: int) -> bool:
    """TBB and TBH with a table elsewhere, and moves, sums and loads to the program counter that do not return."""
    loads = first & 0xFF70 == 0xF850 and second >> 12 == 15 and first & 15 != SP
    tables = first & 0xFFF0 == 0xE8D0 and second & 0xFFE0 == 0xF000 and first != 0xE8DF
    return loads or tables or first & 0xFD87 == 0x4487


def ends_stretch(first: int, second: int) -> bool:
    """Whether the next instruction is not executed after this one."""
    jumps = first & 0xF800 == 0xE000 or (first & 0xF800 == 0xF000 and second & 0xD000 == 0x9000)
    return (
        jumps or is_return(first, second) or is_table_branch(first, second) or is_unknown_jump(first, second)
    )
