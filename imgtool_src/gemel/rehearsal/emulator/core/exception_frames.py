"""Taking an exception and returning from it: the stack frame, the link register, the modes.

Armv7-M and Armv8-M architecture reference manuals, "Exception entry and return" (from memory).
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from gemel.rehearsal.emulator.core.native import THUMB_STATUS
from gemel.rehearsal.emulator.core.registers import (
    FLOAT_ACTIVE,
    PRIVILEGE,
    PROCESS_STACK,
    SECURE_FLOAT,
    THUMB_STATE,
)
from gemel.rehearsal.emulator.system_space.interrupts import NMI

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore

RETURN_MAGIC = 0xFF00_0000
"""Lowest value of a program counter that stands for a return from an exception."""

STACK_ALIGNED, FLOAT_WAS_SECURE = 1 << 9, 1 << 20
OF_CONTEXT = FLOAT_ACTIVE | PROCESS_STACK
"""Bits of the control register that an exception clears and its return restores, on every architecture."""
STANDARD_FRAME, THREAD_MODE, FROM_PROCESS_STACK, RESERVED_IN_LINK = 1 << 4, 1 << 3, 1 << 2, 1 << 1
RETURNS_BEFORE_V8 = (0x1, 0x9, 0xD)
"""Lowest four bits of the link values of Armv7-M, where any other is a fault (DDI 0403, ExceptionReturn, from memory);
Armv6-M calls the others UNPREDICTABLE."""
OF_SECURE, TO_SECURE, CALLER_FRAME = 1 << 0, 1 << 6, 1 << 5
"""Of a core with the security extension: the exception was taken to Secure state (before Armv8-M always one), comes
from there, and with no registers of the callee stacked below its frame."""

SIGNATURES = (0xFEFA_125A, 0xFEFA_125B)
"""The first word of a frame with the callee's registers (DDI 0553, "Integrity signature", from memory)."""

FRAME, FLOAT_FRAME = 32, 72
NUMBER = 0x1FF
THREAD_BY_ANY_RETURN = 1 << 0
"""Bit of the configuration and control register: thread mode may be entered with other exceptions active."""


def enter(core: EmulatedCore, number: int, return_address: int) -> bool:
    """Take exception ``number``: stack eight words (and the float registers in use), go to its handler.

    False if the stack or the vector cannot be reached; the core has then seen to that.
    """
    registers, system, outer = core.registers, core.system, core.interrupts.handler
    scratch, stack, flags, control = registers.before_entry()
    thread = not outer
    with_float = core.plan.has_float and bool(control & FLOAT_ACTIVE) and system.float_unit.keeps
    size = FRAME + (FLOAT_FRAME if with_float else 0)
    aligned = with_float or system.aligns_frames
    frame = (stack - size) & (~7 if aligned else ~3) & 0xFFFF_FFFF
    status = flags & ~THUMB_STATE | outer
    status |= THUMB_STATUS if flags & THUMB_STATE else 0
    status |= STACK_ALIGNED if (stack - size) & 4 and aligned else 0
    secure_float = SECURE_FLOAT if core.plan.secure else 0
    status |= FLOAT_WAS_SECURE if control & secure_float else 0
    on_process_stack = thread and bool(control & PROCESS_STACK)
    data = struct.pack("<8I", *scratch, return_address, status)
    if with_float:
        data += registers.float_frame()
    system.float_unit.save()
    limit = core.stack_watch.limit_above(frame, stack, on_process_stack, return_address)
    wrong = "stack-limit-fault" if limit else ""
    user, why = thread and bool(control & PRIVILEGE), {}
    if not wrong and not core.guard.allows("write", frame, size, user):
        wrong, why = "protected-stacking", core.guard.why("write", frame, size, user)
    elif not wrong and not core.bus.write_stack(frame, data):
        wrong = "stacking"
    if wrong:
        numbers = {"address": frame, **why, **({"limit": limit} if limit else {})}
        numbers |= {"pointer": stack, "process": int(on_process_stack)}
        taken = core.faults.of_stacking(wrong, number, return_address, numbers)
        if taken is None:
            return False
        number, frame = taken, limit or frame
    if with_float:
        system.float_unit.set_lazy_frame(frame + FRAME)
    link = 0xFFFF_FFE1 | (0 if with_float else STANDARD_FRAME)
    link |= (THREAD_MODE if thread else 0) | (FROM_PROCESS_STACK if on_process_stack else 0)
    if core.plan.architecture.startswith("armv8") and not core.plan.secure:
        link &= ~0x41  # neither the Secure stack nor Secure state
    return _go_to_handler(core, number, link, frame, flags, control, return_address)


def chain(core: EmulatedCore, number: int, link: int) -> bool:
    """Take exception ``number`` in place of a return by ``link`` that cannot be: nothing is unstacked or stacked."""
    _, stack, flags, control = core.registers.before_entry()
    return _go_to_handler(core, number, link, stack, flags, control, core.pc)


def _go_to_handler(
    core: EmulatedCore, number: int, link: int, stack: int, flags: int, control: int, return_address: int
) -> bool:
    """To the handler of exception ``number``; False where its vector is no code, which is then seen to."""
    handler = core.bus.read_word(core.system.vector_table + 4 * number)
    core.interrupts.activate(number)
    left = OF_CONTEXT | (SECURE_FLOAT if core.plan.secure else 0)
    core.registers.enter_handler(number, link, stack, flags, control & ~left)
    core.left_exclusive()
    if handler is None or not core.may_execute(handler & ~1):
        core.exceptions.bad_vector(number, handler, return_address)
        return False
    core.exceptions.begins(number, link, handler & ~1)
    core.pc = handler & ~1
    if not handler & 1:
        core.exceptions.bad_vector(number, handler, return_address)
        return False
    return True


def _still_active(core: EmulatedCore, number: int) -> dict[str, int]:
    """Of exception ``number``, which returns to thread mode: the one that it interrupted, and both priorities."""
    interrupts, active = core.interrupts, core.interrupts.active[-1]
    return {
        "number": number,
        "priority": interrupts.priority(number),
        "active": active,
        "active_priority": interrupts.priority(active),
    }


def leave(core: EmulatedCore, link: int) -> tuple[int, bool] | None:
    """Return from the running exception by the link value ``link``; None if that cannot be.

    Its number, and whether the core goes on in Thumb state.
    """
    number, to_thread = core.interrupts.handler, bool(link & THREAD_MODE)
    ended = _ended(core, number, link)
    if ended is None:
        return None
    main, process, control = ended
    from_process_stack = bool(link & FROM_PROCESS_STACK) and to_thread
    frame = process if from_process_stack else main
    data = _frame_data(core, frame, link, to_thread and bool(control & PRIVILEGE))
    if data is None:
        return None
    size = len(data)
    *scratch, return_address, status = struct.unpack_from("<8I", data)
    if to_thread == bool(status & NUMBER):
        core.exceptions.cannot_return("bad-exception-return", link, {"address": frame, "status": status})
        return None
    outer = status & NUMBER
    core.interrupts.handler = outer
    secure_float = SECURE_FLOAT if core.plan.secure else 0
    control &= ~(OF_CONTEXT | secure_float)
    control |= 0 if link & STANDARD_FRAME else FLOAT_ACTIVE
    control |= secure_float if status & FLOAT_WAS_SECURE else 0
    control |= PROCESS_STACK if from_process_stack else 0
    aligned = size > FRAME or core.system.aligns_frames
    pointer = frame + size + (4 if status & STACK_ALIGNED and aligned else 0)
    core.left_exclusive()
    core.registers.leave_handler(scratch, status, outer, control, pointer)
    if from_process_stack:
        core.stack_watch.resumes(frame, pointer)
    if to_thread and core.calls is not None:
        core.calls.resume(frame, pointer, from_process_stack)
    if size > FRAME:
        core.registers.set_float_frame(data[FRAME:])
        core.system.float_unit.set_lazy_frame(None)
    core.pc = return_address & ~1
    return number, bool(status & THUMB_STATUS)


def _ended(core: EmulatedCore, number: int, link: int) -> tuple[int, int, int] | None:
    """End exception ``number``: both stack pointers and the control register; None where ``link`` cannot be."""
    registers, to_thread = core.registers, bool(link & THREAD_MODE)
    nested = len(core.interrupts.active) > 1 and not core.system.configuration & THREAD_BY_ANY_RETURN
    v8 = core.plan.architecture.startswith("armv8")
    known = not link & RESERVED_IN_LINK if v8 else link & 0xF in RETURNS_BEFORE_V8
    fits = number in core.interrupts.active and known
    core.interrupts.deactivate(number)
    main, process, control, faultmask = registers.before_return()
    if faultmask and number != NMI:
        registers.clear_faultmask()
    banked = v8 and not core.plan.secure
    if not fits or not (banked or link & OF_SECURE):
        core.exceptions.cannot_return("bad-exception-return", link)
        return None
    if to_thread and nested:
        core.exceptions.cannot_return("bad-exception-return", link, _still_active(core, number))
        return None
    if core.plan.secure and not link & TO_SECURE:
        words = {"need": f"return from an exception by 0x{link:X}"}
        core.faults.stop("leaves-secure-state", core.pc, {"address": process}, words)
        return None
    return main, process, control


def _frame_data(core: EmulatedCore, frame: int, link: int, user: bool) -> bytes | None:
    """The bytes of the frame at ``frame``; None where they cannot be read or restored, which is then seen to."""
    size = FRAME + (0 if link & STANDARD_FRAME else FLOAT_FRAME)
    data = core.bus.read_bytes(frame, size)
    protected = not core.guard.allows("read", frame, size, user)
    if len(data) < size or protected:
        kind = "protected-unstacking" if protected else "unstacking"
        why = core.guard.why("read", frame, size, user) if protected else {}
        process = int(bool(link & FROM_PROCESS_STACK))
        core.exceptions.cannot_return(kind, link, {"address": frame, "process": process, **why})
        return None
    if core.plan.secure and not link & CALLER_FRAME and core.bus.read_word(frame) not in SIGNATURES:
        core.exceptions.cannot_return("no-signature", link)
        return None
    core.system.float_unit.save()
    if size > FRAME and core.plan.has_float and not core.system.float_unit.may_restore:
        core.exceptions.cannot_return("float-unit-off", link)
        return None
    return data
