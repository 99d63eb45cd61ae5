"""A core's registers around exceptions of code without privilege, on each core of the library that has it."""

from __future__ import annotations

import pytest

from gemel.rehearsal.emulator.core.native import THUMB_STATUS, Native
from gemel.rehearsal.emulator.core.registers import PRIVILEGE, PROCESS_STACK, CoreRegisters
from gemel.rehearsal.emulator.system_space.interrupts import Masks
from gemel.rehearsal.setup.core_setup import ARMV7_M, ARMV7E_M, ARMV8_M_MAIN

MAIN, PROCESS = 0x3800_8000, 0x3800_1000
USER = PRIVILEGE | PROCESS_STACK


@pytest.mark.parametrize("model", [ARMV7_M, ARMV7E_M, ARMV8_M_MAIN])
def test_exception_of_user_code(model: int) -> None:
    """A handler is privileged and on the main stack; its return gives user code its stack and mode back.

    DDI 0403 and DDI 0553, "Exception entry" and CONTROL: SPSEL reads zero in Handler mode.  Masks that were set with
    privilege count for user code as well.
    """
    registers = CoreRegisters(Native(model, []))
    registers.reset()
    registers.stack = MAIN
    registers._masks.write((1, 0x40, 0))
    registers.leave_handler([0] * 6, THUMB_STATUS, 0, USER, PROCESS)
    assert (registers.control, registers.stack) == (USER, PROCESS)
    assert registers.masks == Masks(1, 0x40, 0)
    registers.enter_handler(11, 0xFFFF_FFFD, PROCESS - 32, 0, PRIVILEGE)
    assert registers.stacks == (MAIN, PROCESS - 32)
    assert (registers.control, registers.stack) == (PRIVILEGE, MAIN)
    assert registers.masks == Masks(1, 0x40, 0)
    registers.leave_handler([0] * 6, THUMB_STATUS, 0, USER, PROCESS)
    assert (registers.control, registers.stack) == (USER, PROCESS)
    registers.reset()
    assert registers.control == 0
    assert registers.masks == Masks()
    assert registers.stacks[0] == MAIN
