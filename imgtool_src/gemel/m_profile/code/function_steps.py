"""The instructions of a function, where each leads, and the words and tables between them, which are none.

Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory); tests hold them to the assembler.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Sequence
from functools import cached_property

from gemel.m_profile.instructions.halfwords import (
    CASE_ROUTINES,
    FIRST_WIDE,
    BranchTable,
    branch_distance,
    call_distance,
    entries_of_table,
    is_return,
    is_table_branch,
    targets_of_table,
)
from gemel.m_profile.instructions.memory_accesses import SP
from gemel.m_profile.instructions.wide_forms import wide_form
from gemel.spans import Span, align_up
from gemel.structs import NamedTuple

WORD = 4

ANY, EACH = -2, -3
"""Where a jump to anywhere leads: to any step that nothing else leads to; to each of them, where a test decides it."""


class _Step(NamedTuple):
    """An instruction in its wide form, if branches arrive ``here``, where it leads, and each that it makes conditional.

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
                *wide_form(first, second),
                address in targets,
                jumps[address],
                address in tables or ends_stretch(first, second),
                _covered(first) if first & 0xFF00 == 0xBF00 and first & 15 else (),
            )
            for address, first, second in decoded
        ]
        self.jumps_anywhere = any(is_unknown_jump(first, second) for _, first, second in decoded)


class StepWays:
    """The steps of a function by their ``index``, and the ways between them; ``led_to_by_none`` are those after an end.

    ``is_decided`` says of a step whether a test of the core decides where it leads, or whether it is executed.
    """

    def __init__(self, function: Function, is_decided: Callable[[int], bool]) -> None:
        steps = function.steps
        self._steps, self._is_decided = steps, is_decided
        self.index = {step.address: index for index, step in enumerate(steps)}
        self._in_block = {
            at + each for at, step in enumerate(steps) for each in range(1, len(step.covers) + 1)
        }
        self.led_to_by_none = [
            index
            for index, step in enumerate(steps)
            if index and steps[index - 1].ends and not step.here and index - 1 not in self._in_block
        ]
        self._known: dict[int, Sequence[int]] = {}

    def forget(self) -> None:
        """Find the ways again: what decides them has changed."""
        self._known.clear()

    def reached(self, first: int, without: int | None = None) -> set[int]:
        """What may be executed from a step on, without passing another."""
        waiting, seen, beside = [first], set[int](), {-1, len(self._steps), without}
        while waiting:
            index = waiting.pop()
            if index not in seen and index not in beside:
                seen.add(index)
                waiting += self.after(index)
        return seen - {ANY, EACH}

    def after(self, index: int) -> Sequence[int]:
        """The steps that may come next, or ANY or EACH of those that nothing leads to; -1 for one outside."""
        ways = self._known.get(index)
        if ways is None:
            ways = self._known[index] = self.led_to_by_none if index < -1 else tuple(self._ways(index))
        return ways

    @cached_property
    def before(self) -> dict[int, list[int]]:
        """The steps that may come before each."""
        found: dict[int, list[int]] = {}
        for index in (EACH, ANY, *range(len(self._steps))):
            for way in self.after(index):
                found.setdefault(way, []).append(index)
        return found

    def _ways(self, index: int) -> Iterator[int]:
        step = self._steps[index]
        for target in step.leads_to:
            yield self.index.get(target, -1)
        if not step.ends or index in self._in_block:
            yield index + 1
        if is_unknown_jump(step.first, step.second):
            yield EACH if self._is_decided(index) else ANY
        elif step.ends and not step.leads_to:
            yield -1


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
    entries = entries_of_table(code, address - start, index)
    offsets, end = targets_of_table(code, base - start, form, entries)
    targets = [start + each for each in offsets]
    after = [each for each in targets if each > address]
    return targets, align_up(start + end, 2) if len(targets) == entries else min(after, default=base)


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
