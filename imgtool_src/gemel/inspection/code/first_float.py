"""The first floating-point instruction that start-up code comes to, before it enables the coprocessor."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import islice
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.builds.mapped_code import MappedCode
from gemel.inspection.code.core_settings import constant_word
from gemel.m_profile.code.function_steps import is_unknown_jump
from gemel.m_profile.code.known_registers import CALL, CPACR, KnownStore
from gemel.m_profile.code.known_stores import known_stores
from gemel.m_profile.execution.start_run import StartRun
from gemel.m_profile.execution.values import FLOAT_ACCESS
from gemel.m_profile.instructions.halfwords import (
    FIRST_WIDE,
    branch_distance,
    call_distance,
    instructions,
    is_call,
    is_return,
    is_table_branch,
)
from gemel.spans import Span
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.inspection.code.guarded_code import GuardedCode

WALK_LIMIT, DEPTH_LIMIT = 20_000, 32
"""Instructions from the reset handler on that are followed, and calls inside each other."""


CONSTRUCTORS_LIMIT = 256

_FIRST, _SECOND = b"\1", b"\2"
_TOPS = bytes(1 if top & 0xEC == 0xEC else 2 if top & 0x0E == 0x0A else 0 for top in range(0x100))
"""For the upper byte of a halfword whether it may be the first or the second one of a floating-point instruction."""

_INIT_ARRAY = frozenset({"__init_array_start", "__init_array_end"})


def enables_float(store: KnownStore) -> bool:
    """Whether a store to CPACR gives access to the floating-point unit, as far as its value is known."""
    if store.value is not None:
        return store.value & FLOAT_ACCESS == FLOAT_ACCESS
    changed = store.changed
    return changed is None or not changed.ones | changed.zeros or changed.ones & FLOAT_ACCESS == FLOAT_ACCESS


class FirstFloat(NamedTuple):
    """The first floating-point instruction from the reset handler on, before the coprocessor is enabled."""

    at: int
    function: str


def first_float(
    build: Build,
    reset: int,
    run: StartRun | None = None,
    code: MappedCode | None = None,
    handlers: Iterable[int] = (),
) -> FirstFloat | None:
    """The float instruction that the reset handler comes to before a store to CPACR; None if there is none.

    A run of the start-up code shows it, or that the unit is enabled before, or all ``code`` that there is none.  Else
    functions are gone through from start to end, calls where they stand; both sides of branches count.  What a test of
    the core guards does not.  After that come ``handlers``, which are given where nothing enables the unit, and with
    them what code loads the address of, as tasks are.
    """
    if run and run.enables_float:
        return None
    if code and not code.unmapped and not any(map(holds_float, [each.code for each in code.sections])):
        return None
    from gemel.inspection.code.guarded_code import GuardedCode

    guarded = GuardedCode(build)
    if run and run.float_at is not None and build.symbols and not guarded.covers(run.float_at):
        function = build.symbols.function_at(run.float_at)
        return FirstFloat(run.float_at, function[0].name if function else "")
    walk = _Walk(build, guarded)
    for start in (reset, *sorted({*handlers, *guarded.taken} if handlers else ())):
        walk.function(start & ~1, 0)
    return walk.found


_ISB = 0xF3BF, 0x8F60


def float_right_after(build: Build, store: KnownStore) -> int | None:
    """The first float instruction after a store to CPACR without a branch, an exception or an ISB before it."""
    known = build.function_at(store.at)
    function = known[0].span if known else Span(store.at, 0)
    code = build.read_at_run(store.at, max(0, function.end - store.at)) or b""
    for at, first, second in islice(instructions(code), 1, None):
        leaves = is_return(first, second) or is_unknown_jump(first, second) or is_call(first, second)
        branches = branch_distance(first, second) is not None or is_table_branch(first, second)
        if leaves or branches or first & 0xFF00 == 0xDF00 or (first, second & 0xFFF0) == _ISB:
            return None
        if _is_float(first, second):
            return store.at + at
    return None


def holds_float(code: bytes) -> bool:
    """Whether an instruction in code without data may be one of the floating-point unit."""
    tops = code[1::2]
    marked = tops.translate(_TOPS)
    start, last = 0, -1
    at = marked.find(_FIRST + _SECOND)
    while at >= 0:
        # Of halfwords in a row that begin or may end 32-bit instructions, each second one begins one.
        before = at
        while before - 1 > last and tops[before - 1] >= FIRST_WIDE >> 8:
            before -= 1
        if before - 1 > last:
            start = before
        if (at - start) % 2 == 0:
            return True
        last, at = at, marked.find(_FIRST + _SECOND, at + 1)
    return False


class _Walk:
    """Goes through functions in the order of their calls."""

    def __init__(self, build: Build, guarded: GuardedCode) -> None:
        self._build, self._guarded = build, guarded
        self._visited: set[int] = set()
        self._left = WALK_LIMIT
        self.found: FirstFloat | None = None
        self.enabled = False

    def function(self, start: int, depth: int) -> None:
        """Go through the function at ``start``, as long as neither is found."""
        symbols = self._build.symbols
        known = symbols.function_at(start) if symbols else None
        if known is None or known[1] or start in self._visited or depth > DEPTH_LIMIT:
            return
        self._visited.add(start)
        code = self._build.read_at_run(start, known[0].size) or b""
        stores = {each.at: each for each in known_stores(code, start, self._word)}
        for at, half, second in instructions(code):
            self._left -= 1
            if self.found or self.enabled or self._left < 0:
                return
            store = stores.get(start + at)
            if store and store.target == CPACR:
                self.enabled = enables_float(store)
            elif store and store.target == CALL:
                for called in (store.value,) if store.value is not None else self._constructors():
                    self.function(called & ~1, depth + 1)
            elif half & 0xF800 == 0xF000 and second & 0xD000 in (0xD000, 0x9000):
                self.function(start + at + 4 + call_distance(half, second), depth + 1)
            elif _is_float(half, second) and not self._guarded.covers(start + at):
                self.found = FirstFloat(start + at, known[0].name)

    def _constructors(self) -> list[int]:
        """What a call through a pointer that is not known may lead to before main: constructors."""
        ends = self._build.symbols.among(_INIT_ARRAY) if self._build.symbols else {}
        if len(ends) < len(_INIT_ARRAY):
            return []
        start, end = (ends[name].value for name in sorted(_INIT_ARRAY, reverse=True))
        words = [self._word(at) for at in range(start, min(end, start + 4 * CONSTRUCTORS_LIMIT), 4)]
        return [word for word in words if word]

    def _word(self, address: int) -> int | None:
        return constant_word(self._build, address)


def _is_float(first: int, second: int) -> bool:
    """Whether it is an instruction for coprocessor 10 or 11 (but not one that only lays aside lazily)."""
    if first & 0xEC00 != 0xEC00 or second & 0x0E00 != 0x0A00:
        return False
    return first & 0xFFE0 != 0xEC20 or second & 0x0F00 not in (0x0A00,)
