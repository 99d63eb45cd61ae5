"""A core's registers by what they are for, on top of the emulator's numbers for them."""

from __future__ import annotations

import struct
from typing import Any

SPECIAL = 0x1FF
"""Bits of the status register that hold the number of the running exception."""

FLAGS = 0xF80F_0000


class CoreRegisters:
    """The registers of one core in the emulator."""

    def __init__(self, emulator: Any) -> None:
        from unicorn import arm_const as numbers

        self._emulator, self._numbers = emulator, numbers
        first = numbers.UC_ARM_REG_R0
        self._all = [first + index for index in range(13)]
        self._all += [numbers.UC_ARM_REG_SP, numbers.UC_ARM_REG_LR, numbers.UC_ARM_REG_PC]
        self._all += [numbers.UC_ARM_REG_XPSR]
        self._float = [numbers.UC_ARM_REG_S0 + index for index in range(16)]

    def snapshot(self) -> tuple[int, ...]:
        """R0 to R12, stack pointer, link register, program counter, status."""
        return tuple(self._emulator.reg_read_batch(self._all))

    def float_snapshot(self) -> tuple[int, ...]:
        """The float registers."""
        return tuple(self._emulator.reg_read_batch([self._float[0] + index for index in range(32)]))

    @property
    def stack(self) -> int:
        """The stack pointer in use."""
        return int(self._emulator.reg_read(self._numbers.UC_ARM_REG_SP))

    @stack.setter
    def stack(self, value: int) -> None:
        self._emulator.reg_write(self._numbers.UC_ARM_REG_SP, value)

    @property
    def main_stack(self) -> int:
        """The main stack pointer."""
        return int(self._emulator.reg_read(self._numbers.UC_ARM_REG_MSP))

    @property
    def process_stack(self) -> int:
        """The process stack pointer."""
        return int(self._emulator.reg_read(self._numbers.UC_ARM_REG_PSP))

    @property
    def link(self) -> int:
        """The link register."""
        return int(self._emulator.reg_read(self._numbers.UC_ARM_REG_LR))

    @link.setter
    def link(self, value: int) -> None:
        self._emulator.reg_write(self._numbers.UC_ARM_REG_LR, value)

    @property
    def control(self) -> int:
        """The control register."""
        return int(self._emulator.reg_read(self._numbers.UC_ARM_REG_CONTROL))

    @property
    def status(self) -> int:
        """The status register, with the number of the running exception."""
        return int(self._emulator.reg_read(self._numbers.UC_ARM_REG_XPSR))

    @property
    def skips_next(self) -> bool:
        """Whether an if-then block keeps the next instruction from being executed."""
        status = self.status
        condition = (status >> 25 & 3 | status >> 8 & 0xFC) >> 4
        if not status >> 8 & 0xFC and not status >> 25 & 3:
            return False
        negative, zero, carry, overflow = (bool(status >> bit & 1) for bit in (31, 30, 29, 28))
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
        return not (holds != bool(condition & 1) or condition >> 1 == 7)

    @property
    def thumb(self) -> bool:
        """Whether the core is in Thumb state, the only one that it has."""
        return bool(self._emulator.reg_read(self._numbers.UC_ARM_REG_CPSR) >> 5 & 1)

    @property
    def pc(self) -> int:
        """The program counter."""
        return int(self._emulator.reg_read(self._numbers.UC_ARM_REG_PC))

    @property
    def masked(self) -> bool:
        """Whether interrupts are held off altogether."""
        read, numbers = self._emulator.reg_read, self._numbers
        return bool(read(numbers.UC_ARM_REG_PRIMASK) & 1)

    @property
    def priority_mask(self) -> int:
        """Priorities from this value on are held off; 0: none are."""
        return int(self._emulator.reg_read(self._numbers.UC_ARM_REG_BASEPRI)) & 0xFF

    @property
    def scratch(self) -> tuple[int, ...]:
        """R0 to R3 and R12, as an exception frame begins."""
        return tuple(self._emulator.reg_read_batch([*self._all[:4], self._all[12]]))

    def enter_handler(self, number: int, link: int) -> None:
        """Handler mode of exception ``number``, the frame being on the stack in use."""
        write, numbers = self._emulator.reg_write, self._numbers
        write(numbers.UC_ARM_REG_LR, link)
        write(numbers.UC_ARM_REG_IPSR, number)

    def leave_handler(self, words: tuple[int, ...], outer: int, stack: int, process_stack: bool) -> None:
        """Registers from an exception frame; back to exception ``outer`` or, with 0, to thread mode."""
        write, numbers = self._emulator.reg_write, self._numbers
        write(numbers.UC_ARM_REG_IPSR, outer)
        if not outer:
            control = self.control & ~2 | (2 if process_stack else 0)
            write(numbers.UC_ARM_REG_CONTROL, control)
        self.stack = stack
        for register, value in zip([*self._all[:4], self._all[12]], words[:5], strict=True):
            write(register, value)
        write(numbers.UC_ARM_REG_LR, words[5])
        write(numbers.UC_ARM_REG_APSR_NZCVQ, words[7] & FLAGS)

    def float_frame(self) -> bytes:
        """S0 to S15 and the float status, as an extended frame ends."""
        values = self._emulator.reg_read_batch(self._float)
        status = self._emulator.reg_read(self._numbers.UC_ARM_REG_FPSCR)
        return struct.pack("<18I", *values, status, 0)

    def set_float_frame(self, data: bytes) -> None:
        """What ``float_frame`` gave."""
        values = struct.unpack("<18I", data)
        for register, value in zip(self._float, values, strict=False):
            self._emulator.reg_write(register, value)
        self._emulator.reg_write(self._numbers.UC_ARM_REG_FPSCR, values[16])
