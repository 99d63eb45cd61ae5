"""What tests of the core guard in code without symbols: function by function, and through their calls.

A function begins where a call leads, or a branch from another one.  What its own tests do not guard others may that
guard each way to it, if no entry and no address in the bytes leads there, too.
"""

from __future__ import annotations

import re
import struct
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping
from functools import cached_property

from gemel.m_profile.code.address_signs import STATE_SIGNS, places_of
from gemel.m_profile.code.flow import LITERAL_REACH, OUTSIDE, Run
from gemel.m_profile.code.function_steps import Function
from gemel.m_profile.code.guards import EFFORT, SHORT, Guards, Passed, VariablePlace, kept_answers
from gemel.m_profile.instructions.found_instruction import OF_UNWINDER, FoundInstruction
from gemel.spans import offsets_of

MAX_FUNCTION = 1 << 12
"""Bytes of a function that is searched for tests of the core; of a larger one, half as many before an instruction
and after it."""

MAX_EFFORT, TO_FOLLOW = 300_000, 6
"""Instructions of one stretch that are looked at in search of tests of the core, and how many of them one costs whose
values are followed, each time; the rest counts as untested."""

OF_BYTES = 1024
"""So many bytes take as long to be searched for an address as one instruction takes."""

MAX_TESTING = 64
"""Functions that test the core and what calls those, of which what they keep is followed; of more, nothing is."""

MAX_DEPTH, MAX_WAYS = 4, 16
"""How far the ways to a function are followed, and how many of them one has."""


class StretchGuards:
    """The tests in the bytes ``code``, run at ``start``; ``callers`` and ``jumps`` give offsets what leads there.

    Those, and what is ``beside`` them, may hold addresses of functions.
    """

    def __init__(
        self,
        code: bytes,
        start: int,
        callers: Mapping[int, list[int]],
        jumps: Mapping[int, list[int]],
        beside: Iterable[bytes] = (),
    ) -> None:
        self._code, self._start, self._callers, self._jumps = code, start, callers, jumps
        self._bytes = [code, *beside]
        self._begins = sorted(each for each in callers if 0 <= each < len(code))
        self._whole = Run(0, len(code))
        self._left = MAX_EFFORT
        self._guards: dict[tuple[Run, bool], Guards | None] = {}
        self._nested = 0
        self._with_variables = False

    def unguarded(
        self, runs: list[Run], lacking: Iterable[tuple[int, FoundInstruction]]
    ) -> Iterator[tuple[int, FoundInstruction]]:
        """Those of these instructions, in order, that are conditional on no test, and no unwinder's.

        Each comes with the index of its run in ``runs``.
        """
        near = Run(0, 0)
        for index, each in lacking:
            at = each.address - self._start
            if self._code[at : at + 6] in OF_UNWINDER:
                continue
            if not near.first <= at < near.end:
                near = self._function(at, runs[index])
            self._with_variables = False
            if not (self._covers(near, at, MAX_DEPTH) or (self._variables and self._again(near, at))):
                yield index, each

    def _again(self, function: Run, at: int) -> bool:
        self._with_variables = True
        return self._covers(function, at, MAX_DEPTH)

    def _covers(self, function: Run, at: int, depth: int) -> bool:
        guards, address = self._guards_of(function), self._start + at
        if guards is None:
            return False
        before = guards.effort
        covered = function.first in self._callers and guards.cover(address)
        covered = covered or guards.cover(address, entries=True)
        begin = guards.begin_of(address)
        self._left -= before - guards.effort
        return covered or (depth > 0 and begin is not None and self._is_led_to_guarded(guards, begin, depth))

    def _is_led_to_guarded(self, guards: Guards, begin: int, depth: int) -> bool:
        """Whether something besides what begins there leads to a begin, and a test guards each that does."""
        offset = begin - self._start
        led_from = *self._callers.get(offset, ()), *self._jumps.get(offset, ())
        ways = [at for at in led_from if guards.begin_of(self._start + at) != begin]
        if len(ways) > MAX_WAYS or OUTSIDE in ways or self._left <= 0:
            return False
        found = [(self._function(at, self._whole), at) for at in ways]
        if not all(self._covers(each, at, depth - 1) for each, at in found):
            return False
        pointers = self._pointers_to(begin)
        if pointers is None or not (ways or pointers):
            return False
        users = [self._guards_of(self._function(at, self._whole)) for at in pointers]
        return all(each is not None and each.chooses(begin | 1, entries=True) for each in users)

    def _pointers_to(self, begin: int) -> list[int] | None:
        """Where code takes the address of a function; None where other bytes hold it."""
        word, half = struct.pack("<I", begin | 1), _moves_half(begin & 0xFFFF | 1)
        self._left -= sum(map(len, self._bytes)) // OF_BYTES
        if any(word in each or half.search(each) for each in self._bytes[1:]):
            return None
        found = [each.start() for each in half.finditer(self._code)]
        for at in offsets_of(word, self._code):
            users = self._loads_of(at) if len(found) <= MAX_WAYS else []
            if not users:
                return None
            found += users
        return found if len(found) <= MAX_WAYS else None

    def _loads_of(self, literal: int) -> list[int]:
        """The instructions LDR (literal) in its narrow form that may load a word."""
        self._left -= LITERAL_REACH // 8
        return [
            at
            for at in range(max(0, literal - LITERAL_REACH & ~1), literal, 2)
            if self._code[at + 1] & 0xF8 == 0x48
            and (self._start + at + 4 & ~3) + 4 * self._code[at] == self._start + literal
        ]

    @cached_property
    def _variables(self) -> frozenset[VariablePlace]:
        """Where the code keeps what it found out of its core."""
        functions = {self._function(at, self._whole) for at in places_of(STATE_SIGNS, self._code)}
        sites = [at for each in functions for at in self._callers.get(each.first, ()) if at != OUTSIDE]
        functions.update(self._function(at, self._whole) for at in sites[: MAX_TESTING + 1])
        if len(functions) > MAX_TESTING:
            return frozenset()
        found = [self._guards_of(each) for each in sorted(functions)]
        return kept_answers((each for each in found if each is not None), entries=True)

    # --- functions ---

    def _function(self, at: int, run: Run) -> Run:
        """The function around ``at``, tables and literals in it included, or what of its ``run`` is near."""
        begins, reach = self._begins, MAX_FUNCTION // 2
        after = bisect_right(begins, at)
        first = begins[after - 1] if after else run.first
        end = begins[after] if after < len(begins) else run.end
        if end - first <= MAX_FUNCTION:
            return Run(first, end)
        return Run(run.first if at - run.first < reach else at, min(run.end, at + reach))

    def _guards_of(self, function: Run) -> Guards | None:
        """The tests in a function; None for one that is being looked at, and where nothing is left to spend."""
        key = function, self._with_variables
        if key not in self._guards:
            self._guards[key] = None
            if self._left > 0:
                self._guards[key] = self._search(function)
        return self._guards[key]

    def _search(self, run: Run) -> Guards:
        function = Function(self._code[run.first : run.end], self._start + run.first, self._word_at)
        effort = max(0, min(self._left, EFFORT))
        variables = self._variables if self._with_variables else ()
        guards = Guards(function, self._word_at, Passed(), self._returned, variables, effort)
        self._left -= effort - guards.effort + TO_FOLLOW * guards.followed
        return guards

    def _returned(self, target: int, _passed: Passed) -> int:
        """The bits that a called function returns of the core's state, if it is short."""
        first = target - self._start
        if first not in self._callers or self._nested >= MAX_DEPTH:
            return 0
        function = self._function(first, Run(first, min(len(self._code), first + 4 * SHORT)))
        if function.first != first or function.end - first > 4 * SHORT:
            return 0
        self._nested += 1
        guards = self._guards_of(function)
        self._nested -= 1
        return guards.result if guards else 0

    def _word_at(self, address: int) -> int | None:
        at = address - self._start
        return int.from_bytes(self._code[at : at + 4], "little") if 0 <= at <= len(self._code) - 4 else None


def _moves_half(half: int) -> re.Pattern[bytes]:
    """What sets any register to this number: MOVW, encoding T3 (from memory; a test holds it to the assembler)."""
    first = struct.pack("<H", 0xF240 | half >> 12 | half >> 1 & 0x400)
    high = half >> 4 & 0x70
    return re.compile(re.escape(first + bytes((half & 0xFF,))) + rb"[\x%02x-\x%02x]" % (high, high | 15))
