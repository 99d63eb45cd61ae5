"""A core's registers by what they are for, on top of the library's numbers for them."""

from __future__ import annotations

import struct

from gemel.rehearsal.emulator.core.native import THUMB_STATUS, Native, RegisterGroup
from gemel.rehearsal.emulator.system_space.interrupts import HARD_FAULT, Masks

THUMB_STATE = 1 << 5
IF_THEN = 0x0600_FC00
"""Bits of the status register that hold the state of an if-then block."""

FLAGS = 0xF80F_0000
PRIVILEGE, PROCESS_STACK, FLOAT_ACTIVE, SECURE_FLOAT = 1 << 0, 1 << 1, 1 << 2, 1 << 3


class CoreRegisters:
    """The registers of one core."""

    def __init__(self, native: Native) -> None:
        from unicorn import arm_const as numbers

        self._native = native
        self.user = 0
        """CONTROL.nPRIV of a core on which the library ignores it."""
        first, float_first = numbers.UC_ARM_REG_R0, numbers.UC_ARM_REG_S0
        stack, link, pc = numbers.UC_ARM_REG_SP, numbers.UC_ARM_REG_LR, numbers.UC_ARM_REG_PC
        general = [first + index for index in range(13)]
        scratch = [*general[:4], general[12], link]
        control, state = numbers.UC_ARM_REG_CONTROL, numbers.UC_ARM_REG_CPSR
        status = numbers.UC_ARM_REG_XPSR_NZCVQG
        self._each = [native.group(first + index) for index in range(13)] + [
            native.group(stack),
            native.group(link),
        ]
        self._general = native.group(*general, stack, link)
        self._all = native.group(*general, stack, link, pc, state)
        self._float = native.group(*(float_first + index for index in range(32)))
        self._float_frame = native.group(
            *(float_first + index for index in range(16)), numbers.UC_ARM_REG_FPSCR
        )
        masks = [numbers.UC_ARM_REG_PRIMASK, numbers.UC_ARM_REG_BASEPRI, numbers.UC_ARM_REG_FAULTMASK]
        self._masks = native.group(*masks)
        self._masks_of_code = native.group(*masks, control, numbers.UC_ARM_REG_IPSR)
        main, process, faultmask = (
            numbers.UC_ARM_REG_MSP,
            numbers.UC_ARM_REG_PSP,
            numbers.UC_ARM_REG_FAULTMASK,
        )
        self._before_entry = native.group(*scratch, stack, state, control)
        self._entry = native.group(stack, control, link, status, state)
        self._before_return = native.group(main, process, control, faultmask)
        self._return = native.group(*scratch, status, state, control, stack)
        self._faultmask = native.group(faultmask)
        self._status, self._state = native.group(status), native.group(state)
        self._control, self._pc = native.group(control), native.group(pc)
        self._after_run = native.group(pc, main, process)
        self._stack, self._link = native.group(stack), native.group(link)
        self._stacks = native.group(main, process)
        # What the state register holds below the flags, whatever the code does: mode and endianness.
        self._mode_bits = self._state.read()[0] & 0x3DF & ~THUMB_STATE | THUMB_STATE

    def snapshot(self) -> tuple[int, ...]:
        """R0 to R12, stack pointer, link register, program counter, flags."""
        return tuple(self._all.read())

    def float_snapshot(self) -> tuple[int, ...]:
        """The float registers."""
        return tuple(self._float.read())

    def value(self, number: int) -> int:
        """R0 to R15 by number."""
        return self._all.read()[number]

    def set_value(self, number: int, value: int) -> None:
        """Write R0 to R12, the stack pointer or the link register by number."""
        self._each[number].write((value,))

    def quickly(self, number: int) -> int:
        """R0 to R14 by number, read alone."""
        return self._each[number].read()[0]

    @property
    def pc(self) -> int:
        """The program counter."""
        return self._pc.read()[0]

    def after_run(self) -> tuple[int, int, int]:
        """The program counter, the main and the process stack pointer."""
        pc, main, process = self._after_run.read()
        return pc & ~1, main, process

    @property
    def stack(self) -> int:
        """The stack pointer in use."""
        return self._stack.read()[0]

    @stack.setter
    def stack(self, value: int) -> None:
        self._stack.write((value,))

    @property
    def stacks(self) -> tuple[int, int]:
        """The main and the process stack pointer."""
        main, process = self._stacks.read()
        return main, process

    def align_stacks(self) -> None:
        """Take the two lowest bits from both stack pointers, which hold none there."""
        self._stacks.write([pointer & ~3 for pointer in self._stacks.read()])

    def set_link(self, value: int) -> None:
        """Write the link register."""
        self._link.write((value,))

    @property
    def control(self) -> int:
        """The control register."""
        return self._control.read()[0] | self.user

    @property
    def masks(self) -> Masks:
        """The mask registers."""
        primask, basepri, faultmask, control, handler = self._masks_of_code.read()
        if control & PRIVILEGE and not handler:
            primask, basepri, faultmask = self._as_handler(self._masks)
        return Masks(primask & 1, basepri & 0xFF, faultmask & 1)

    def set_masks(self, masks: Masks) -> None:
        """Write the mask registers, with privilege."""
        self._masks.write(masks)

    def _as_handler(self, group: RegisterGroup) -> list[int]:
        """What a group holds; for user code the library reads zeros."""
        (state,) = self._state.read()
        self._status.write((THUMB_STATUS | HARD_FAULT,))
        values = group.read()
        self._status.write((THUMB_STATUS,))
        self._state.write((state,))
        return values

    @property
    def thumb(self) -> bool:
        """Whether the core is in Thumb state, the only one that it has."""
        return bool(self._state.read()[0] & THUMB_STATE)

    @property
    def skips_next(self) -> bool:
        """Whether an if-then block keeps the next instruction from being executed."""
        state = self._state.read()[0]
        if not state & IF_THEN:
            return False
        return not _holds((state >> 25 & 3 | state >> 8 & 0xFC) >> 4, state)

    def holds(self, condition: int) -> bool:
        """Whether a condition, as instructions encode it (0 to 15), holds now."""
        return _holds(condition, self._state.read()[0])

    def advance_if_then(self) -> None:
        """One instruction of an if-then block is done."""
        block = self.if_then
        self.if_then = block & 0xE0 | block << 1 & 0x1F if block & 7 else 0

    @property
    def flags(self) -> int:
        """N, Z, C, V, Q and GE, as the program status has them."""
        return self._state.read()[0] & FLAGS

    @flags.setter
    def flags(self, flags: int) -> None:
        self._state.write((self._state.read()[0] & ~FLAGS | flags,))

    @property
    def if_then(self) -> int:
        """ITSTATE (DDI 0553): the condition of the next instruction, and what follows; 0 outside such a block."""
        state = self._state.read()[0]
        return state >> 25 & 3 | state >> 8 & 0xFC

    @if_then.setter
    def if_then(self, block: int) -> None:
        state = self._state.read()[0]
        self._state.write((state & ~IF_THEN | (block & 3) << 25 | (block & 0xFC) << 8,))

    @staticmethod
    def in_block(snapshot: tuple[int, ...], block: int) -> tuple[int, ...]:
        """The snapshot with ``block`` for ITSTATE."""
        return (*snapshot[:16], snapshot[16] & ~IF_THEN | (block & 3) << 25 | (block & 0xFC) << 8)

    def take_back(self, snapshot: tuple[int, ...]) -> None:
        """R0 to R14 and the flags as in ``snapshot``; the program counter stays."""
        self._general.write(snapshot[:15])
        self._state.write((snapshot[16],))

    def reset(self) -> None:
        """Thread mode on the main stack, privileged, nothing masked."""
        self.user = 0
        self._become_privileged()
        self._masks.write((0, 0, 0))
        self._control.write((0,))
        self._state.write((self._mode_bits,))

    # -- exception entry and return ------------------------------------------------------------------

    def before_entry(self) -> tuple[list[int], int, int, int]:
        """R0 to R3, R12 and link register; stack pointer; flags and if-then state; control register."""
        *scratch, stack, state, control = self._before_entry.read()
        return scratch, stack, state & (FLAGS | IF_THEN | THUMB_STATE), control | self.user

    def enter_handler(self, number: int, link: int, frame: int, flags: int, control: int) -> None:
        """Handler mode of exception ``number``, with its frame on the stack that was in use."""
        flags &= FLAGS
        if control & PRIVILEGE:
            self._become_privileged()
        self._entry.write((frame, control, link, number | THUMB_STATUS | flags, self._mode_bits | flags))

    def before_return(self) -> tuple[int, int, int, int]:
        """Main and process stack pointer, control register, FAULTMASK."""
        main, process, control, faultmask = self._before_return.read()
        return main, process, control | self.user, faultmask

    def clear_faultmask(self) -> None:
        """In a handler: nothing is masked by FAULTMASK any more."""
        self._faultmask.write((0,))

    def leave_handler(self, scratch: list[int], status: int, outer: int, control: int, stack: int) -> None:
        """R0 to R3, R12, link and flags of a frame; back to exception ``outer`` or, with 0, thread mode."""
        flags = status & (FLAGS | IF_THEN)
        state = outer | THUMB_STATUS | flags, self._mode_bits | flags
        if control & PRIVILEGE:
            self._become_privileged()
        self._return.write((*scratch, *state, control, stack))
        if not status & THUMB_STATUS:
            self.leave_thumb()

    def _become_privileged(self) -> None:
        """Thread mode with privilege: the library drops what user code writes to masks and control register."""
        self._status.write((THUMB_STATUS | HARD_FAULT,))
        self._control.write((self.control & ~PRIVILEGE,))
        self._status.write((THUMB_STATUS,))

    def leave_thumb(self) -> None:
        """Out of Thumb state, in which no instruction can be executed."""
        self._state.write((self._state.read()[0] & ~THUMB_STATE,))

    def float_frame(self) -> bytes:
        """S0 to S15 and the float status, as an extended frame ends."""
        return struct.pack("<18I", *self._float_frame.read(), 0)

    def set_float_frame(self, data: bytes) -> None:
        """What ``float_frame`` gave."""
        self._float_frame.write(struct.unpack("<18I", data)[:17])

    def stack_limits(self) -> tuple[int, int]:
        """The limit registers of the main and the process stack (Armv8-M Mainline)."""
        return self._native.stack_limits()

    def float_active(self) -> bool:
        """Whether code of this context used the float unit."""
        return bool(self.control & FLOAT_ACTIVE)


def _holds(condition: int, state: int) -> bool:
    negative, zero, carry, overflow = (bool(state >> bit & 1) for bit in (31, 30, 29, 28))
    holds = (
        zero,
        carry,
        negative,
        overflow,
        carry and not zero,
        negative == overflow,
        not zero and negative == overflow,
        True,
    )[condition >> 1]
    return holds != bool(condition & 1) or condition >> 1 == 7
