"""The code of a build that its vectors lead to, for images without an ELF file to distinguish code from data.

From each entry the instructions are followed as a core would: on to the next, into calls and branches, to an
end at returns, at jumps to where a register says, and at calls of what never returns.  Literals that the code
loads, and tables of branches, are data even where the stream runs into them.  What is only reached through
pointers in data is not reached.

Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory).
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Container, Iterable
from functools import cached_property

from gemel.m_profile.code.returning_streams import ReturningStreams
from gemel.m_profile.instructions.halfwords import (
    CASE_ROUTINES,
    CONDITIONS,
    COPROCESSOR,
    COPROCESSORS,
    FIRST_WIDE,
    IMPROBABLE,
    LEADS,
    UNDEFINED,
    BranchTable,
    branch_distance,
    call_distance,
    entries_of_table,
    is_table_branch,
    kinds_of_halfwords,
    targets_of_table,
)
from gemel.structs import NamedTuple


class Run(NamedTuple):
    """Instructions one after the other: the offset of the first, and that after the last."""

    first: int
    end: int


CASE_ROUTINE_SIZE = 14
IN_CASE_ROUTINES = bytes.fromhex("b4 7146")
"""Bytes that each of them has."""

LITERAL_REACH, FAR_LITERAL_REACH = 1028, 4112
"""How far an instruction of 16 or of 32 bits is from what it uses as data, at most, tables of branches included."""

_NARROW, _WIDE = 1, 2
_OF_HIGH = bytes(
    _NARROW * (high in range(0x48, 0x50)) | _WIDE * (high in b"\xe8\xe9\xed\xf8\xf9") for high in range(0x100)
)
_OF_LOW = bytes(_NARROW | _WIDE * (low & 0x1F == 0x1F) for low in range(0x100))
"""What both bytes of a first halfword must allow for an instruction to use data next to the code, based on the PC."""

OUTSIDE = -1
"""The offset of what enters the code from outside."""

MAX_ENTRIES = 512
"""How many entries a table of branches has at most whose index is not seen to be compared with their number."""


FREE_EFFORT, EFFORT, OF_STREAM = 200_000, 0.5, 4
"""Instructions, branches and literals that are looked at, at most: so many, and for each byte; and how many of these
each stream takes as long as besides.  What the vectors of real programs lead to takes 0.6 for each byte."""

RUN = re.compile(rb"(?:\x02|\x04\x00)+(?:\x04(?=[\x02\x04]))?|\x04(?=[\x02\x04])")
"""Sizes by halfword of instructions without a gap; inside of the last, another one may begin."""


class Stream:
    """Instructions that follow one another, as the core runs them from one place.

    ``sizes`` by offset; ``branches`` and ``calls``: each offset that they lead to, with that of the
    instruction that does; ``data``: what they use as data, and ``used`` the halfwords of that; ``end``: the
    offset after the last, and ``after_call`` the one after the last call (0: none).  ``closed`` says that a
    return or jump ends it, ``at_call`` that a call does, ``improbable`` that halfwords do which are hardly code,
    and ``returns`` that it may lead to where a register or the stack says.  ``ways`` are where calls and jumps
    lead, each with its own offset.
    """

    __slots__ = (
        "after_call", "at_call", "branches", "calls", "closed", "data", "end", "improbable", "returns", "sizes", "used",
        "ways",
    )  # fmt: skip

    def __init__(self) -> None:
        self.sizes: dict[int, int] = {}
        self.branches: dict[int, int] = {}
        self.calls: dict[int, int] = {}
        self.data: list[range] = []
        self.used: set[int] = set()
        self.end = self.after_call = 0
        self.closed = self.at_call = self.improbable = self.returns = False
        self.ways: list[tuple[int, int]] = []

    def effort(self) -> int:
        """How much was looked at."""
        return len(self.sizes) + len(self.branches) + len(self.calls) + sum(map(len, self.data))

    def uses(self, part: range) -> None:
        """Note halfwords that are used as data."""
        self.data.append(part)
        self.used.update(part)


class Flow:
    """Follows the code in ``code``, whose first byte the core runs at ``start`` (even).

    ``sizes`` holds the size of the instruction reached at each halfword (0: none), ``data`` whether the code
    uses the halfword as data; both end with some that stand for what is after the code.  ``callers`` are
    the offsets that are called, with those of the calls, OUTSIDE for an entry; ``jumps`` those that jumps lead to.
    ``effort`` is what may still be spent: below 0, more is led to than is followed; ``parts`` share what is free.
    """

    def __init__(self, code: bytes, start: int, parts: int = 1) -> None:
        self.code, self.start = code, start
        self.sizes = bytearray(len(code) // 2 + 4)
        self.data = bytearray(len(code) // 2 + 4)
        self.callers: dict[int, list[int]] = {}
        self.jumps: dict[int, list[int]] = {}
        self.effort = FREE_EFFORT / parts + EFFORT * len(code)

    def follow(self, entries: Iterable[int]) -> None:
        """Reach what ``entries`` lead to: addresses as the core sees them, bit 0 ignored.

        What is after a call is reached if a way leads from what it calls to a return, or to where that is not known.
        """
        waiting = [(entry & ~1) - self.start for entry in entries]
        for entry in waiting:
            self.callers.setdefault(entry, []).append(OUTSIDE)
        ways = ReturningStreams(waiting)
        while waiting and self.effort >= 0:
            at = waiting.pop()
            stream = self.stream(at, to_call=True)
            self.effort -= OF_STREAM + stream.effort()
            self.take(stream)
            waiting += stream.branches
            waiting += stream.calls
            if stream.sizes:
                ways.begin(at)
            if stream.at_call:
                called = stream.ways[-1][0]
                ways.call(at, called if 0 <= called < len(self.code) else None, stream.end)
            elif not stream.closed and 0 <= stream.end < len(self.code) and self.sizes[stream.end >> 1]:
                ways.lead(at, ways.holding(stream.end))
            elif not stream.closed:
                ways.note_return(at)
            if stream.returns:
                ways.note_return(at)
            for target in stream.branches:
                ways.lead(at, target)

    def take(self, stream: Stream) -> None:
        """Count a stream among what was reached."""
        sizes = self.sizes
        for at, size in stream.sizes.items():
            sizes[at >> 1] = size
        for part in stream.data:
            self.note_data(part)
        for target, source in stream.ways:
            ways = self.callers if target in stream.calls else self.jumps
            ways.setdefault(target, []).append(source)

    def note_data(self, offsets: range) -> None:
        """Note that what is at these offsets is data, as far as they are in the code."""
        inside = offsets[max(0, -offsets.start + 1 >> 1) :]
        end = min(inside.stop, len(self.code))
        if inside.start < end:
            self.data[inside.start >> 1 : end + 1 >> 1] = b"\1" * (end + 1 - inside.start >> 1)

    def reached(self) -> list[Run]:
        """The instructions that were reached and are no data, in order."""
        kept, new_run = self._reached(), tuple.__new__
        found = [each.span() for each in RUN.finditer(kept)]
        return [new_run(Run, (2 * first, 2 * (end + (kept[end - 1] == 4)))) for first, end in found]

    def reached_size(self) -> int:
        """The bytes of these instructions."""
        kept = self._reached()
        return 2 * kept.count(2) + 4 * kept.count(4)

    def _reached(self) -> bytes:
        data = int.from_bytes(self.data, "little")
        sizes = int.from_bytes(self.sizes, "little") & ~(data * 0xFF) & ~((data >> 8) * 4)
        return sizes.to_bytes(len(self.sizes), "little")

    @cached_property
    def _users(self) -> bytes:
        """For each halfword ``_NARROW`` or ``_WIDE`` if an instruction of that size there may use data, else 0."""
        size = len(self.code) // 2
        low, high = self.code[: 2 * size : 2].translate(_OF_LOW), self.code[1::2].translate(_OF_HIGH)
        return (int.from_bytes(low, "little") & int.from_bytes(high, "little")).to_bytes(size, "little")

    def may_be_used(self, places: Iterable[int]) -> set[int]:
        """Those of these offsets that an instruction at any halfword, reached or not, may use as data.

        A table of branches counts with all the entries that it has room for.
        """
        code, users, stream = self.code, self._users, Stream()
        tables: list[int] = []
        narrow = wide = 0
        for at in sorted(places):
            place = max(narrow, at - LITERAL_REACH)
            while (place := users.find(_NARROW, place >> 1, at >> 1) * 2) >= 0:
                self._narrow(stream, place, code[place] | code[place + 1] << 8)
                place += 2
            narrow = max(narrow, at)
            place, end = max(wide, at - FAR_LITERAL_REACH), min(at + FAR_LITERAL_REACH, len(code) - 2)
            while (place := users.find(_WIDE, place >> 1, end >> 1) * 2) >= 0:
                first, second = code[place] | code[place + 1] << 8, code[place + 2] | code[place + 3] << 8
                if is_table_branch(first, second):
                    tables.append(place)
                else:
                    self._wide(stream, place, first, second)
                place += 2
            wide = max(wide, end)
        if IN_CASE_ROUTINES in code:
            return set(places)
        return {at for at in places if at in stream.used or self._in_table(at, tables)}

    def _in_table(self, at: int, tables: list[int]) -> bool:
        """Whether ``at`` may be in the table of one of these branches by a table, in order."""
        code = self.code
        for index in range(bisect_left(tables, at) - 1, -1, -1):
            place = tables[index]
            if at >= place + 4 + 2 * MAX_ENTRIES:
                return False
            second = code[place + 2] | code[place + 3] << 8
            width = 2 if second & 0x10 else 1
            if place + 4 <= at < place + 4 + width * self._entries(place, second & 0xF):
                return True
        return False

    def stream(
        self,
        at: int,
        also: Container[int] = (),
        beside: Container[int] = (),
        *,
        stop: int | None = None,
        strict: bool = False,
        to_call: bool = False,
    ) -> Stream:
        """The stream from offset ``at`` until it ends or meets what was reached before, or ``stop``.

        ``also`` and ``beside`` count as reached: instructions, and halfwords used as data.  What is
        undefined ends it; ``strict``: what is hardly code, too; ``to_call``: a call under no condition.
        """
        stream = Stream()
        code, sizes, used, kinds = self.code, stream.sizes, stream.used, kinds_of_halfwords()
        known, data = self.sizes, self.data
        last = (len(code) if stop is None else stop) - 2
        conditional, unlikely = 0, UNDEFINED | IMPROBABLE if strict else UNDEFINED
        while 0 <= at <= last and not (
            known[at >> 1] or data[at >> 1] or at in used or at in also or at in beside
        ):
            first = code[at] | code[at + 1] << 8
            kind = kinds[first]
            if kind & unlikely or (first >= FIRST_WIDE and at + 2 > last):
                stream.improbable = True
                break
            ends = False
            if first < FIRST_WIDE:
                sizes[at] = 2
                if kind & LEADS:
                    ends = self._narrow(stream, at, first)
                at += 2
            else:
                second = code[at + 2] | code[at + 3] << 8
                if strict and kind & COPROCESSOR and not COPROCESSORS >> (second >> 8 & 15) & 1:
                    stream.improbable = True
                    break
                sizes[at] = 4
                if kind & LEADS:
                    ends = self._wide(stream, at, first, second)
                at += 4
            if kind & CONDITIONS:
                conditional = 4 - (first & -first & 0xF).bit_length() + 1
            elif conditional:
                conditional -= 1
            elif ends:
                stream.closed = True
                break
            elif to_call and stream.after_call == at:
                stream.at_call = True
                break
        stream.end = at
        return stream

    def _narrow(self, stream: Stream, at: int, first: int) -> bool:
        """Note where a 16-bit instruction leads; whether the stream ends with it."""
        top = first >> 8
        distance = branch_distance(first, 0)
        if distance is not None:
            target = at + 4 + distance
            stream.branches[target] = at
            if top >> 3 != 0b11100:
                return False
            stream.ways.append((target, at))
            return True
        if top >> 3 == 0b01001:
            stream.uses(self._literal(at, (first & 0xFF) * 4, 4))
        returns = first & 0xFF80 == 0x4700 or top == 0xBD
        moves_to_pc = first & 0xFD87 == 0x4487
        stream.returns |= returns or moves_to_pc
        return returns or moves_to_pc or top == 0xDE

    def _wide(self, stream: Stream, at: int, first: int, second: int) -> bool:
        """Note where a 32-bit instruction leads; whether the stream ends with it."""
        word = first << 16 | second
        if word & 0xF800_9000 == 0xF000_9000:
            target = at + 4 + call_distance(first, second)
            if not second & 0x4000:
                stream.branches[target] = at
                stream.ways.append((target, at))
                return True
            stream.calls[target] = at
            stream.ways.append((target, at))
            stream.after_call = at + 4
            return target >= 0 and self._case(stream, at, self.code[target : target + CASE_ROUTINE_SIZE])
        distance = branch_distance(first, second)
        if distance is not None:
            stream.branches[at + 4 + distance] = at
        elif is_table_branch(first, second):
            form = BranchTable(2 if second & 0x10 else 1, False, 2)
            self._table(stream, at, at + 4, form, self._entries(at, second & 0xF))
            return True
        elif first & 0xFE1F == 0xF81F:
            size = 1 << (first >> 5 & 3)
            stream.uses(self._literal(at, second & 0xFFF if first & 0x80 else -(second & 0xFFF), size))
        elif word & 0xFF3F_0E00 == 0xED1F_0A00 or first & 0xFF7F == 0xE95F:
            offset = (second & 0xFF) * 4
            size = 8 if second & 0x100 or first < 0xED00 else 4
            stream.uses(self._literal(at, offset if first & 0x80 else -offset, size))
        loads_many = first & 0xFE50 == 0xE810 and second >> 15 == 1
        loads_one = first & 0xFF70 == 0xF850 and second >> 12 == 15
        stream.returns |= loads_many or loads_one
        return loads_many or loads_one or word & 0xFFF0_F000 == 0xF7F0_A000

    def _literal(self, at: int, offset: int, size: int) -> range:
        address = (self.start + at + 4 & ~3) + offset - self.start
        return range(address & ~1, address + size, 2)

    def _case(self, stream: Stream, at: int, called: bytes) -> bool:
        """Note the table after a call if what is ``called`` is a routine for that; whether it is."""
        form = CASE_ROUTINES.get(called)
        if form is None:
            return False
        place = at + 4 + (-(self.start + at) % 4 if form.width == 4 else 0)
        self._table(stream, at, place, form, self._entries(at, 0))
        return True

    def _entries(self, at: int, register: int) -> int:
        return entries_of_table(self.code, at, register) or MAX_ENTRIES

    def _table(self, stream: Stream, at: int, start: int, form: BranchTable, entries: int) -> None:
        """The table at ``start``."""
        targets, end = targets_of_table(self.code, start, form, entries)
        stream.branches.update(dict.fromkeys(targets, at))
        stream.uses(range(start, end + (end - start) % 2, 2))


def runs(instructions: Iterable[tuple[int, int]]) -> list[Run]:
    """Instructions, each an offset and a size, in order, as runs without a gap."""
    found: list[Run] = []
    new_run = tuple.__new__
    first = end = -1
    for at, size in instructions:
        if at != end:
            if first >= 0:
                found.append(new_run(Run, (first, end)))
            first = at
        end = at + size
    if first >= 0:
        found.append(Run(first, end))
    return found
