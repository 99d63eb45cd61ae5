"""The calls that led a core to where it is, and what its threads were doing.

Nothing follows calls in a long run: they are read from the return addresses on the stack, of which a variable that was
not written yet may hold an older one.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from gemel.m_profile.instructions.halfwords import instructions, is_call, is_wide
from gemel.rehearsal.emulator.core.exception_frames import FROM_PROCESS_STACK
from gemel.rehearsal.raw_run import RawThread
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore


MAX_FRAMES = 64
"""Calls kept; of a deeper recursion the innermost ones count."""

MAX_STACKS_LEFT = 64
"""Stacks that were left of which the calls are kept."""


class Call(NamedTuple):
    """Where a call is, where it returns to, and the stack pointer there; of an exception both are one place."""

    place: int
    return_address: int
    stack: int


class StackInUse(NamedTuple):
    """The stack pointer in use, whether that is the process stack pointer, and whether a handler runs."""

    pointer: int
    process: bool
    in_handler: bool


class _Left(NamedTuple):
    """A stack that thread code has left: its pointer then, the highest one seen of it, and its calls."""

    pointer: int
    top: int
    calls: list[Call]


class CallStack:
    """Follows one core block by block.

    ``calls`` are those of the stack in use, outermost first, and in a handler those of the interrupted one too.  A
    return is seen when a block begins at a return address, so that tail calls and long jumps do no harm.
    """

    def __init__(self, read: Callable[[int, int], bytes], stack: Callable[[], StackInUse]) -> None:
        """``read(address, size)`` gives the code, ``stack`` the stack in use."""
        self.calls: list[Call] = []
        self._read, self._stack = read, stack
        self._starts: dict[tuple[int, int], tuple[tuple[int, ...], bool]] = {}
        self._block: tuple[int, int] | None = None
        self._top: int | None = None
        self._process = False
        self._left: list[_Left] = []
        self._interrupted: tuple[int, list[Call]] | None = None
        """The stack pointer and the calls of the thread code that was interrupted."""

    def enter_block(self, address: int, size: int) -> None:
        """The core is about to execute the block of ``size`` bytes at ``address``."""
        if self._block:
            starts, calls = self._decoded(*self._block)
            if calls:
                end = self._block[0] + self._block[1]
                if not self._block[0] < address <= end:  # else it goes on where a run had stopped
                    self._append(self._block[0] + starts[-1], end, self._stack())
        for depth in range(len(self.calls) - 1, -1, -1):
            if self.calls[depth].return_address == address:
                del self.calls[depth:]
                break
        self._block = (address, size)

    def enter_exception(self, interrupted: int, frame: int, before: StackInUse) -> None:
        """An exception was taken at ``interrupted``, with its frame at ``frame``, the stack in use ``before`` that.

        Or one was chained to another that was taken there.
        """
        if self.calls[-1:] != [Call(interrupted, interrupted, frame)]:
            self._append(interrupted, interrupted, before._replace(pointer=frame))
        if not before.in_handler:
            self._interrupted = frame, [*self.calls]
        self._block = None

    def resume(self, frame: int, pointer: int, process: bool) -> None:
        """A handler returns to thread code by the frame at ``frame``, its stack pointer then being ``pointer``."""
        if self._interrupted is None:
            return
        left, self.calls = self._interrupted
        self._interrupted = self._block = None
        self._process = process
        if frame != left:
            self._go(left, pointer, pointer)

    def switch(self, before: int, after: int) -> None:
        """Thread code that has its stack pointer at ``before`` moves it to ``after``."""
        self._go(before, after, after + 1)

    def _go(self, before: int, after: int, least: int) -> None:
        """To another stack, or another place of one: what was called with the pointer below ``least`` is left."""
        top = before if self._top is None else max(self._top, before)
        if before <= after <= top:
            self.calls = [call for call in self.calls if call.stack >= least]
            return
        found = next((each for each in self._left if each.pointer <= after <= each.top), None)
        if found is not None:
            self._left.remove(found)
        self._left.append(_Left(before, top, self.calls))
        del self._left[:-MAX_STACKS_LEFT]
        self._top = found.top if found else after
        self.calls = [call for call in found.calls if call.stack >= least] if found else []

    def _append(self, call: int, return_address: int, stack: StackInUse) -> None:
        if not stack.in_handler and stack.process != self._process:  # by CONTROL
            self._process = stack.process
            self._go(self.calls[-1].stack if self.calls else self._top or 0, stack.pointer, stack.pointer)
        if self._top is None:
            self._top = stack.pointer
        self.calls.append(Call(call, return_address, stack.pointer))
        del self.calls[:-MAX_FRAMES]

    def _decoded(self, address: int, size: int) -> tuple[tuple[int, ...], bool]:
        known = self._starts.get((address, size))
        if known is None:
            listed = list(instructions(self._read(address, size)))
            starts = tuple(at for at, _, _ in listed)
            calls = bool(listed) and is_call(*listed[-1][1:])
            known = self._starts[address, size] = starts, calls
        return known


SCANNED = 4096
"""Bytes of a stack that are looked at for return addresses."""

MAX_CALLS = 32
"""Calls of a thread that are kept, the innermost ones."""

RETURN_ADDRESS = 24
"""Offset in an exception frame."""

LINK = 14


def threads(core: EmulatedCore, since: int) -> Iterator[RawThread]:
    """The thread code that runs or is interrupted, then what was left: it still runs if that was after ``since``."""
    watch, active = core.stack_watch, core.interrupts.active
    if not core.runs and core.state != "sleeping":
        return
    if not core.interrupts.handler:
        calls = calls_on(core, core.registers.stack, watch.in_use()["top"])
        last = _call_before(core, core.registers.value(LINK))
        yield RawThread(
            core.sleep.place, core.time, True, 0, (*calls, last) if last not in (0, *calls[-1:]) else calls
        )
    elif active and (began := core.exceptions.began.get(active[0])) and not began.link & FROM_PROCESS_STACK:
        place = core.bus.read_word(began.stack + RETURN_ADDRESS) or 0
        top = core.initial_stack or began.stack + SCANNED
        yield RawThread(place, core.time, True, 0, calls_on(core, began.stack, top))
    in_time = sorted(watch.left, key=lambda frame: watch.left[frame][1])
    newest = {id(watch.left[frame][0]): frame for frame in in_time}
    for frame, (stack, time, place) in watch.left.items():
        if newest[id(stack)] == frame:  # others are frames that a kernel has dropped
            yield RawThread(place, time, time >= since, stack[0], calls_on(core, frame, stack[0]))


def calls_on(core: EmulatedCore, pointer: int, top: int) -> tuple[int, ...]:
    """The places of the calls whose return addresses are on a stack from ``pointer`` up to ``top``, outermost first."""
    data = core.bus.read_bytes(pointer, max(0, min(top - pointer, SCANNED)) & ~3)
    words = (word for (word,) in struct.iter_unpack("<I", data))
    found = [place for word in words if (place := _call_before(core, word))]
    return tuple(reversed(found[:MAX_CALLS]))


def _call_before(core: EmulatedCore, address: int) -> int:
    """The place of the call that returns to ``address``; 0 if none does."""
    if not (address & 1 and core.may_execute(address - 5)):
        return 0
    code = core.bus.read_bytes(address - 5, 4)
    if len(code) < 4:
        return 0
    first, second = struct.unpack("<2H", code)
    if is_wide(first) and is_call(first, second):
        return address - 5
    return address - 3 if is_call(second, 0) else 0
