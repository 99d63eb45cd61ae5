"""Taking an exception and returning from it: the stack frame, the link register, the modes.

Armv7-M and Armv8-M architecture reference manuals, "Exception entry and return" (from memory).  Exceptions
come between slices, one at a time; a supervisor call comes where it stands.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gemel.rehearsal.emulated_core import EmulatedCore

RETURN_MAGIC = 0xFF00_0000
"""Lowest value of a link register that stands for a return from an exception."""

STACK_ALIGNED, THUMB = 1 << 9, 1 << 24
USE_PROCESS_STACK, FLOAT_ACTIVE = 1 << 1, 1 << 2
STANDARD_FRAME, THREAD_MODE, PROCESS_STACK = 1 << 4, 1 << 3, 1 << 2
FRAME, FLOAT_FRAME = 32, 72


def enter(core: EmulatedCore, number: int, return_address: int) -> bool:
    """Take exception ``number``: stack eight words (and the float registers in use), go to its handler.

    False if the stack or the vector cannot be reached; the core has then reported it.
    """
    handler = core.bus.read_word(core.system.vector_table + 4 * number)
    if handler is None or not handler & 1 or not core.may_execute(handler & ~1):
        numbers = {"number": number, "vector": handler or 0}
        core.fault("bad-vector", return_address, numbers)
        return False
    registers = core.registers
    control, status = registers.control, registers.status
    thread = not core.active
    with_float = core.plan.has_float and bool(control & FLOAT_ACTIVE)
    stack = registers.stack
    size = FRAME + (FLOAT_FRAME if with_float else 0)
    frame = (stack - size) & ~7
    saved = status & ~STACK_ALIGNED | (STACK_ALIGNED if (stack - size) & 4 else 0)
    words = [*registers.scratch, registers.link, return_address, saved | THUMB]
    data = struct.pack("<8I", *words)
    if with_float:
        data += registers.float_frame()
    limit = core.plan.stack_limit
    if limit is not None and frame < limit <= stack:
        numbers = {"address": frame, "limit": limit, "stack": frame}
        core.report("below-stack-limit", return_address, numbers)
    if not core.bus.write_stack(frame, data):
        core.fault("stacking", return_address, {"number": number, "address": frame})
        return False
    on_process_stack = thread and bool(control & USE_PROCESS_STACK)
    link = 0xFFFF_FFE1 | (0 if with_float else STANDARD_FRAME)
    link |= (THREAD_MODE if thread else 0) | (PROCESS_STACK if on_process_stack else 0)
    if core.plan.architecture.startswith("armv8") and not core.plan.secure:
        link &= ~0x41  # neither the Secure stack nor Secure state
    registers.stack = frame
    core.active.append(number)
    core.system.pending.discard(number)
    registers.enter_handler(number, link)
    core.pc = handler & ~1
    return True


def leave(core: EmulatedCore, link: int) -> bool:
    """Return from the running exception by the link value ``link``; False if that cannot be."""
    number = core.active[-1]
    registers = core.registers
    to_thread = bool(link & THREAD_MODE)
    if to_thread == (len(core.active) > 1):
        core.fault("bad-exception-return", core.pc, {"number": number, "link": link})
        return False
    from_process_stack = bool(link & PROCESS_STACK)
    frame = registers.process_stack if from_process_stack else registers.main_stack
    size = FRAME + (0 if link & STANDARD_FRAME else FLOAT_FRAME)
    data = core.bus.read_bytes(frame, size)
    if len(data) < size:
        core.fault("unstacking", core.pc, {"number": number, "address": frame})
        return False
    words = struct.unpack_from("<8I", data)
    core.active.pop()
    stack = frame + size + (4 if words[7] & STACK_ALIGNED else 0)
    outer = core.active[-1] if core.active else 0
    registers.leave_handler(words, outer, stack, from_process_stack)
    if size > FRAME:
        registers.set_float_frame(data[FRAME:])
    core.pc = words[6] & ~1
    return True
