"""The first floating-point instruction that start-up code comes to, before it enables the coprocessor."""

from __future__ import annotations

from itertools import islice

from gemel.builds.build import Build
from gemel.builds.mapped_code import MappedCode
from gemel.inspection.code.address_users import is_reached
from gemel.m_profile.code.function_steps import is_unknown_jump
from gemel.m_profile.code.known_registers import KnownStore
from gemel.m_profile.execution.start_run import StartRun
from gemel.m_profile.execution.values import FLOAT_ACCESS
from gemel.m_profile.instructions.halfwords import (
    FIRST_WIDE,
    branch_distance,
    instructions,
    is_call,
    is_return,
    is_table_branch,
)
from gemel.spans import Span
from gemel.structs import NamedTuple

_FIRST, _SECOND = b"\1", b"\2"
_TOPS = bytes(1 if top & 0xEC == 0xEC else 2 if top & 0x0E == 0x0A else 0 for top in range(0x100))
"""For the upper byte of a halfword whether it may be the first or the second one of a floating-point instruction."""


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
    build: Build, run: StartRun | None, code: MappedCode, *, is_never_enabled: bool
) -> FirstFloat | None:
    """The float instruction that a run of the start-up code comes to with the unit off; None if there is none.

    Where nothing enables the unit, it is any in a function that something leads to, such as a handler or a task.
    What a test of the core guards does not count.
    """
    from gemel.inspection.code.guarded_code import GuardedCode

    guarded = GuardedCode(build)
    for at in [run.float_at] if run and run.float_at is not None else []:
        if not guarded.covers(at) and (function := build.function_at(at)):
            return FirstFloat(at, function[0].name)
    unreached = set[int]()
    for section in code.sections if is_never_enabled else ():
        for offset, first, second in instructions(section.code) if holds_float(section.code) else ():
            at = section.start + offset
            function = build.function_at(at) if _is_float(first, second) else None
            if function is None or function[0].value in unreached or guarded.covers(at):
                continue
            if function[0].value in guarded.taken or is_reached(build, function[0]):
                return FirstFloat(at, function[0].name)
            unreached.add(function[0].value)
    return None


def may_use_float(code: MappedCode) -> bool:
    """Whether any code of a build may use the unit."""
    return bool(code.unmapped) or any(holds_float(each.code) for each in code.sections)


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


def _is_float(first: int, second: int) -> bool:
    """Whether it is an instruction for coprocessor 10 or 11 (but not one that only lays aside lazily)."""
    if first & 0xEC00 != 0xEC00 or second & 0x0E00 != 0x0A00:
        return False
    return first & 0xFFE0 != 0xEC20 or second & 0x0F00 not in (0x0A00,)
