"""What a test of the core guards: asked for every instruction, in any order, each is read once."""

from __future__ import annotations

import struct

import pytest
from seconds import within

from gemel.m_profile.code.function_steps import Function
from gemel.m_profile.code.guards import Guards

TEST_OF_LR = struct.pack("<HH", 0xF01E, 0x0F10)  # TST.W LR, #0x10
TEST_OF_STACK = struct.pack("<HH", 0xF01E, 0x0F04)
START = 0x1000_0000
NOP, IT_EQ, ITE_EQ, BEQ_8, RETURN = (
    struct.pack("<H", each) for each in (0xBF00, 0xBF08, 0xBF0C, 0xD002, 0x4770)
)

LR_WITH_0, LOAD_LR, LOAD_LR_BY_R0 = (
    struct.pack("<HH", *each) for each in ((0xF1BE, 0x0F00), (0xF8DD, 0xE004), (0xF8D0, 0xE004))
)  # CMP.W LR, #0; LDR.W LR, [SP, #4]; LDR.W LR, [R0, #4]
STORE_R0, PUSH_R0_LR = (
    struct.pack("<H", each) for each in (0x9001, 0xB501)
)  # STR R0, [SP, #4]; PUSH {R0, LR}

CASES = {
    "nothing tests the core": (IT_EQ + NOP * 4, set()),
    "a block of one": (TEST_OF_LR + IT_EQ + NOP * 4, {6}),
    "a block of two": (TEST_OF_LR + NOP + ITE_EQ + NOP * 4, {8, 10}),
    "what a branch steps over": (TEST_OF_LR + BEQ_8 + NOP * 8, {6, 8, 10}),
    "what only a branch leads to": (TEST_OF_LR + BEQ_8 + NOP * 2 + RETURN + NOP * 2, {6, 8, 10, 12, 14}),
    "long after the test": (TEST_OF_LR + NOP * 16 + IT_EQ + NOP * 2, {38}),
    "after a test of which stack is in use": (TEST_OF_STACK + IT_EQ + NOP * 4, set()),
    "LR compared with a number, as a register like others": (LR_WITH_0 + IT_EQ + NOP * 4, set()),
    "LR loaded from a variable on the stack": (STORE_R0 + LOAD_LR + TEST_OF_LR + IT_EQ + NOP * 2, set()),
    "LR loaded from where it was pushed": (PUSH_R0_LR + LOAD_LR + TEST_OF_LR + IT_EQ + NOP * 2, {12}),
    "LR loaded from a task's state": (LOAD_LR_BY_R0 + TEST_OF_LR + IT_EQ + NOP * 2, {10}),
    "after both ways have met": (TEST_OF_LR + BEQ_8 + NOP * 6, {6, 8, 10}),
}


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("order", [1, -1])
def test_what_is_guarded(name: str, order: int) -> None:
    """Asked upwards and downwards."""
    code, expected = CASES[name]
    guards = Guards(Function(code, START), lambda _: None)
    assert {at for at in range(0, len(code), 2)[::order] if guards.cover(START + at)} == expected


@pytest.mark.parametrize("part", [IT_EQ, TEST_OF_LR + BEQ_8 + RETURN, struct.pack("<H", 0xB1FF)])
def test_a_run_that_lacks_every_instruction_ends_in_time(part: bytes) -> None:
    """The attack: 32 KiB of IT for a core without it, each counted from the start of the run, took minutes."""
    code = part * (50_000 // len(part))
    with within(2):
        guards = Guards(Function(code, START), lambda _: None)
        for at in range(0, len(code), 2):
            guards.cover(START + at, entries=True)
