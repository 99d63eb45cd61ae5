"""Where thread code is, and where it was left on other stacks, with the calls that its stack shows.

Nothing follows calls in a long run: they are read from the return addresses on the stack, of which a variable that was
not written yet may hold an older one.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.m_profile.instructions.halfwords import is_call, is_wide
from gemel.rehearsal.emulator.core.exception_frames import FROM_PROCESS_STACK
from gemel.rehearsal.raw_run import RawThread

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore

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
