"""The rest of a build's bytes swept for code, for what following it from the vectors does not reach.

Each place is tried as the begin of a routine: what its instructions and their branches lead to, up to
returns.  It is taken for code if all of that holds together: no halfword that is hardly code, branches and
calls that stay in the build and lead to the begin of instructions, literals that are in it and are no code,
an end.  The likeliest places come first: where words in the bytes point to, then where registers are pushed
with the return address that a return pops again, then after what is code already; last, every other
halfword.  What is no code by then is data, as far as can be seen without symbols.

Source: common practice.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterable, Iterator, Mapping

from gemel.m_profile.code.flow import Flow, Run, Stream, runs
from gemel.m_profile.instructions.halfwords import FIRST_WIDE, branch_distance
from gemel.spans import Span
from gemel.structs import NamedTuple

PROLOGUE = re.compile(rb"\xb5|\x2d\xe9(?=.[\x40-\x5f])", re.DOTALL)
"""PUSH with the link register: the high byte of the narrow one, the first halfword of the wide one."""

PUSH, POP, POP_WIDE, LINK, PROGRAM = 0xB500, 0xBD00, 0xE8BD, 0x4000, 0x8000
"""PUSH with the link register, POP with the program counter, the wide POP, and its bits for the two."""

FILL = (b"\x00\x00", b"\x00\xbf", b"\xc0\x46", b"\xff\xff")
"""Halfwords that fill up between routines: zeros, NOP in both its forms, erased flash."""

WORDS, TEXT_SIZE, TEXT_SHARE = re.compile(rb"[A-Za-z_]{4,}"), 32, 0.5
"""What text is made of, and which share of so many bytes: pools of names have more of it, code at most 0.44."""

OF_STREAM = 20
"""How many instructions each stream takes as long as besides."""


class Routine(NamedTuple):
    """Instructions that were taken for code together; ``alone`` if nothing leads there but their bytes."""

    runs: list[Run]
    alone: bool


class Sweep:
    """Tries what ``flow`` has not reached; what is taken for code is counted as reached there, too.

    ``beyond`` is where other code of the core is, as the core sees it.  The sweep stops where the effort of the
    flow falls below 0.
    """

    def __init__(self, flow: Flow, beyond: Iterable[Span] = ()) -> None:
        self._flow = flow
        self._beyond = [(span.start - flow.start, span.end - flow.start) for span in beyond]
        self._refused = bytearray(len(flow.sizes))
        self._ends: list[int] = []
        self._alone = self._balanced = False
        self.routines: list[Routine] = []

    def run(self) -> list[Routine]:
        """Sweep everything; the routines that were found, in the order in which they were."""
        flow = self._flow
        self._ends = [run.end for run in flow.reached()]
        self._ends += [2 * each.end() for each in re.finditer(b"\1+", flow.data)]
        self._try(self._pointed_at())
        self._balanced = True
        self._try(self._prologues())
        self._balanced = False
        while self._ends and self._flow.effort >= 0:
            ends, self._ends = sorted(set(self._ends)), []
            self._try(self._past_fill(at) for at in ends)
        self._alone = True
        self._try(self._left())
        return self.routines

    def _pointed_at(self) -> Iterator[int]:
        """Where the words of the bytes point to, the Thumb bit set."""
        flow = self._flow
        low, high = flow.start, flow.start + len(flow.code)
        words = struct.iter_unpack("<I", memoryview(flow.code)[: len(flow.code) // 4 * 4])
        for index, (word,) in enumerate(words):
            at = word - 1 - low
            if word & 1 and low < word < high and not flow.sizes[2 * index] and not self._is_second_half(at):
                yield at

    def _is_second_half(self, at: int) -> bool:
        """Whether a branch to a place in the code ends there: numbers lead to any halfword where code is at 0."""
        halves = (
            struct.unpack("<2H", self._flow.code[at - 2 : at + 2])
            if 2 <= at < len(self._flow.code) - 1
            else ()
        )
        distance = branch_distance(*halves, calls=True) if halves else None
        return (
            distance is not None and halves[0] >= FIRST_WIDE and 0 <= at + 2 + distance < len(self._flow.code)
        )

    def _prologues(self) -> Iterator[int]:
        for match in PROLOGUE.finditer(self._flow.code):
            at = match.start()
            wide = len(match[0]) == 2
            if at % 2 != wide:
                yield at if wide else at - 1

    def _past_fill(self, at: int) -> int:
        code, filled = self._flow.code, at + 4
        while at < filled and code[at : at + 2] in FILL:
            at += 2
        return at

    def _left(self) -> Iterator[int]:
        """Every halfword that is neither code nor data nor fill by now."""
        code, sizes, data, refused = self._flow.code, self._flow.sizes, self._flow.data, self._refused
        at, end = 0, len(code)
        while at < end and self._flow.effort >= 0:
            index = at >> 1
            if not (sizes[index] or data[index] or refused[index] or code[at : at + 2] in FILL):
                yield at
            at += sizes[index] or 2

    def _try(self, places: Iterable[int]) -> None:
        """Try each place, and what the routines there call."""
        for place in places:
            waiting = [place]
            while waiting and self._flow.effort >= 0:
                waiting += self._routine(waiting.pop())

    def _routine(self, at: int) -> Iterable[int]:
        """Take what begins at ``at`` for code if it holds together; the offsets that it calls."""
        flow, refused = self._flow, self._refused
        if not 0 <= at < len(flow.code) or flow.sizes[at >> 1] or flow.data[at >> 1]:
            return ()
        sizes: dict[int, int] = {}
        used: set[int] = set()
        streams: list[Stream] = []
        reached_by: dict[int, tuple[int, Stream]] = {}
        waiting = [at]
        while waiting:
            place = waiting.pop()
            if not 0 <= place < len(flow.code) or flow.sizes[place >> 1] or place in sizes:
                continue
            stream = None if refused[place >> 1] else self._sound(place, sizes, used)
            if stream is None:
                self._refuse(place, reached_by)
                return ()
            sizes.update(stream.sizes)
            used |= stream.used
            streams.append(stream)
            for target, source in stream.branches.items():
                reached_by.setdefault(target, (source, stream))
                waiting.append(target)
        if not used.isdisjoint(sizes) or self._is_text(sizes):
            refused[at >> 1] = 1
            return ()
        if self._balanced and not self._returns_what_it_pushed(at, sizes):
            return ()
        return self._taken(sizes, streams)

    def _taken(self, sizes: dict[int, int], streams: list[Stream]) -> Iterable[int]:
        calls: list[int] = []
        for stream in streams:
            self._flow.take(stream)
            calls += stream.calls
            self._ends.append(stream.end)
            self._ends += [part.stop for part in stream.data]
        self.routines.append(Routine(runs(sorted(sizes.items())), self._alone))
        self._flow.effort += 2 * len(sizes)  # what is code pays for more looking: noise is hardly ever taken
        return calls

    def _is_text(self, sizes: Mapping[int, int]) -> bool:
        """Whether half of it is words, as in names that words point to; of little, with what is around it."""
        found, code = runs(sorted(sizes.items())), self._flow.code
        beside = max(0, TEXT_SIZE - sum(run.end - run.first for run in found)) // 2
        whole = [
            Run(max(0, found[0].first - beside), found[0].first),
            *found,
            Run(found[-1].end, found[-1].end + beside),
        ]
        parts = [code[run.first : run.end] for run in whole]
        words = sum(len(word) for part in parts for word in WORDS.findall(part))
        if words < TEXT_SHARE * sum(map(len, parts)):
            return False
        for run in found:
            self._refused[run.first >> 1 : run.end >> 1] = b"\1" * (run.end - run.first >> 1)
        return True

    def _returns_what_it_pushed(self, at: int, sizes: dict[int, int]) -> bool:
        """Whether some return pops the registers that the first instruction pushed, hardly by chance."""
        pushed = self._halfwords(at, sizes[at])
        if sizes[at] == 2:
            wanted = {pushed - PUSH + POP, POP_WIDE << 16 | LINK | pushed & 0xFF}
        else:
            registers = pushed & 0xFFFF & ~LINK
            wanted = {POP_WIDE << 16 | LINK | registers, POP_WIDE << 16 | PROGRAM | registers}
        return any(self._halfwords(place, size) in wanted for place, size in sizes.items())

    def _halfwords(self, at: int, size: int) -> int:
        """The instruction at ``at``, its first halfword above."""
        code = self._flow.code
        first = code[at] | code[at + 1] << 8
        return first if size == 2 else first << 16 | code[at + 2] | code[at + 3] << 8

    def _refuse(self, place: int, reached_by: dict[int, tuple[int, Stream]]) -> None:
        """Refuse a place and every instruction that leads there."""
        seen: set[int] = set()
        while place not in seen:
            seen.add(place)
            self._refused[place >> 1] = 1
            if place not in reached_by:
                return
            source, stream = reached_by[place]
            self._refuse_up_to(source, stream)
            place = next(iter(stream.sizes))

    def _refuse_up_to(self, last: int, stream: Stream) -> None:
        for at in stream.sizes:
            if at <= last:
                self._refused[at >> 1] = 1

    def _sound(self, at: int, also: dict[int, int], used: set[int]) -> Stream | None:
        """The stream from ``at``, if it may be code; one that goes wrong ends with its last call."""
        stream = self._flow.stream(at, also, used, strict=True)
        self._flow.effort -= OF_STREAM + stream.effort()
        fault: int | None = stream.end
        if not self._open(stream, also):
            fault = self._fault(stream, also)
        elif stream.after_call:
            stream = self._flow.stream(at, also, used, stop=stream.after_call, strict=True)
            fault = self._fault(stream, also)
        if fault is None:
            return stream
        self._refuse_up_to(fault, stream)
        return None

    def _open(self, stream: Stream, also: dict[int, int]) -> bool:
        """Whether it neither returns nor runs into code, nor ends with a call, which may never return."""
        if stream.closed or self._flow.sizes[stream.end >> 1] or stream.end in also:
            return False
        return stream.improbable or stream.end != stream.after_call

    def _fault(self, stream: Stream, also: dict[int, int]) -> int | None:
        """The last instruction up to which a stream is none, since it leads or loads from where it cannot."""
        sizes, end = self._flow.sizes, len(self._flow.code)
        if not stream.sizes:
            return stream.end
        for target, source in (*stream.branches.items(), *stream.calls.items()):
            if not self._may_begin(target, also, stream.sizes):
                return source
        for part in stream.data:
            if part.start < 0 or part.stop > end:
                return stream.end
            if 0 < len(part) <= 2 and (sizes[part[0] >> 1] or sizes[part[-1] >> 1]):
                return stream.end
        return None

    def _may_begin(self, at: int, also: dict[int, int], own: dict[int, int]) -> bool:
        """Whether an instruction may begin at ``at``: not outside, not in data, not inside of another one."""
        sizes, index = self._flow.sizes, at >> 1
        if not 0 <= at < len(self._flow.code):
            return any(first <= at < last for first, last in self._beyond)
        if self._flow.data[index] or (not sizes[index] and sizes[index - 1] == 4):
            return False
        return (at in also or also.get(at - 2) != 4) and (at in own or own.get(at - 2) != 4)
