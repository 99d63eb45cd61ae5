"""What the first halfword says of an instruction, held against capstone as the independent reader."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

import capstone
import pytest
from capstone import arm
from hypothesis import given
from hypothesis import strategies as st
from thumb import assembled

from gemel.m_profile.instructions.halfwords import (
    CONDITIONS,
    COPROCESSOR,
    COPROCESSORS,
    FIRST_WIDE,
    IMPROBABLE,
    INDEX_REACH,
    LEADS,
    UNDEFINED,
    entries_of_table,
    kinds_of_halfwords,
    long_branches,
    where_instructions_begin,
)

WRITE_PC = {"add", "ldm", "ldmdb", "ldr", "ldr.w", "mov", "pop", "pop.w"}
SECOND_HALVES = (
    0x0000,
    0x0A10,
    0x1234,
    0x8001,
    0x8700,
    0x9A0C,
    0xA802,
    0xB801,
    0xD0F0,
    0xF000,
    0xF010,
    0xF8DA,
)
NONSENSE = {"pld", "pldw", "pli"}


@pytest.fixture(scope="module")
def disassembler() -> capstone.Cs:
    """Capstone with details."""
    mode = capstone.CS_MODE_THUMB | capstone.CS_MODE_MCLASS | capstone.CS_MODE_V8
    result = capstone.Cs(capstone.CS_ARCH_ARM, mode)
    result.detail = True
    return result


def _instructions(disassembler: capstone.Cs, first: int) -> Iterator[capstone.CsInsn]:
    """What capstone reads where ``first`` begins the instruction, with some second halfwords."""
    for second in SECOND_HALVES if first >= FIRST_WIDE else (0,):
        data = first.to_bytes(2, "little") + second.to_bytes(2, "little")
        read = next(disassembler.disasm(data, 0x1000, 1), None)
        if read is not None and read.size == (4 if first >= FIRST_WIDE else 2):
            yield read


def _leads(read: capstone.CsInsn) -> bool:
    """Whether an instruction may go on elsewhere, or loads a literal."""
    if read.group(arm.ARM_GRP_JUMP) or read.group(arm.ARM_GRP_CALL) or read.mnemonic.startswith("tb"):
        return True
    writes = arm.ARM_REG_PC in read.regs_access()[1] and read.mnemonic in WRITE_PC
    loads_literal = (
        not read.writeback
        and read.mnemonic.startswith(("ldr", "vldr"))
        and any(
            operand.type == arm.ARM_OP_MEM and operand.mem.base == arm.ARM_REG_PC for operand in read.operands
        )
    )
    return writes or loads_literal


def test_what_leads_elsewhere_is_looked_at(disassembler: capstone.Cs) -> None:
    """What jumps, calls, returns, writes the program counter or loads a literal is marked."""
    kinds = kinds_of_halfwords()
    missed = {
        read.mnemonic: hex(first)
        for first in range(0x1_0000)
        if not kinds[first] & (LEADS | UNDEFINED)
        for read in _instructions(disassembler, first)
        if _leads(read)
    }
    assert missed == {}


def test_what_is_undefined_no_disassembler_knows(disassembler: capstone.Cs) -> None:
    """What capstone reads of the halfwords marked as undefined is Advanced SIMD, which no such core has."""
    kinds = kinds_of_halfwords()
    read = {
        hex(first): each.mnemonic
        for first in range(0x1_0000)
        if kinds[first] & UNDEFINED
        for each in _instructions(disassembler, first)
        if not (each.mnemonic.startswith("v") and first >= 0xFFC0)
    }
    assert read == {}


def test_it_makes_the_next_instructions_conditional(disassembler: capstone.Cs) -> None:
    """IT and nothing else is marked as making the next instructions conditional."""
    kinds = kinds_of_halfwords()
    marked = {first for first in range(0x1_0000) if kinds[first] & CONDITIONS}
    read = {
        first
        for first in range(FIRST_WIDE)
        for each in _instructions(disassembler, first)
        if each.mnemonic.startswith("it")
    }
    assert read <= marked
    assert all(first & 0xFF00 == 0xBF00 and first & 0xF for first in marked)


def test_instructions_of_the_architecture_are_for_no_other_coprocessor(disassembler: capstone.Cs) -> None:
    """Floating-point instructions are marked as coprocessor ones, for coprocessors that are let through."""
    kinds = kinds_of_halfwords()
    for text in ("00ee100a", "30ee200a", "90ed000a", "2ded028b", "f1ee10fa", "17ee900b"):
        data = bytes.fromhex(text)
        read = next(disassembler.disasm(data, 0, 1))
        assert read.mnemonic.startswith("v"), text
        first, second = data[0] | data[1] << 8, data[2] | data[3] << 8
        assert kinds[first] & COPROCESSOR
        assert COPROCESSORS >> (second >> 8 & 15) & 1


def test_improbable_halfwords_are_few() -> None:
    """What nobody writes is told from what is undefined, and is no NOP and no trap that compilers make."""
    kinds = kinds_of_halfwords()
    assert not any(
        kinds[first] & (IMPROBABLE | UNDEFINED) for first in (0xBF00, 0x46C0, 0xDEFF, 0xBE00, 0xDF00)
    )
    assert kinds[0x0000] & IMPROBABLE
    assert sum(bool(kind & IMPROBABLE) for kind in kinds) < 512


TABLES = {
    "higher": ("cmp r0, #4\nbhi 1f\n", 5),
    "higher, far": ("cmp r0, #4\nbhi.w 1f\n", 5),
    "higher, by a block": ("cmp r0, #4\nit hi\nbxhi lr\n", 5),
    "lower or the same leads to the table": ("cmp r0, #4\nbls 2f\nbx lr\n2:\n", 5),
    "higher or the same": ("cmp r0, #4\nbhs 1f\n", 4),
    "with others in between": ("cmp r0, #4\nmovw r2, #0xd8d8\nmov r3, r1\nbhi 1f\nadds r3, #1\n", 5),
    "a register of the upper half": ("cmp.w r0, #200\nbhi 1f\n", 201),
    "another register": ("cmp r1, #4\nbhi 1f\n", None),
    "for equality": ("cmp r0, #1\nit eq\ncmpeq r1, #5\nbeq 1f\n", None),
    "for inequality": ("cmp r0, #1\nbne 1f\n", None),
    "as a number with a sign": ("cmp r0, #4\nbgt 1f\n", None),
    "without a condition": ("cmp r0, #4\n", None),
    "first a bound, then a comparison that nothing uses": ("cmp r0, #7\nbhi 1f\ncmp r0, #2\n", 8),
    "just near enough": ("cmp r0, #4\nbhi 1f\n" + "nop\n" * (INDEX_REACH // 2 - 2), 5),
    "just too far": ("cmp r0, #4\nbhi 1f\n" + "nop\n" * (INDEX_REACH // 2 - 1), None),
}


@pytest.mark.parametrize("case", TABLES)
def test_entries_of_a_table_of_branches(case: str, tmp_path: Path) -> None:
    """Only a bound on an unsigned index tells: clang compares nothing where no other index can be."""
    before, entries = TABLES[case]
    code = assembled(f"{before}tbb [pc, r0]\n1: bx lr\n", tmp_path)
    at = code.index(bytes.fromhex("dfe800f0"))
    assert entries_of_table(code, at, 0) == entries


@given(
    st.lists(
        st.tuples(st.integers(0xF000, 0xF7FF), st.integers(0, 0xFFFF)) | st.just((0xBF00, 0xBF00)),
        max_size=20,
    ),
    st.sampled_from((0, 0x1000_0000, 0x1000_0001, 0x1000_0FFE)),
    st.integers(0, 3),
)
def test_branches_that_lead_out(pairs: list[tuple[int, int]], start: int, cut: int) -> None:
    """Those that leave the code are those of all its long branches that lead to no byte of it, both ways by far."""
    code = b"".join(struct.pack("<2H", *pair) for pair in pairs)[cut:]
    out = [(at, to) for at, to in long_branches(code, start) if not start <= to < start + len(code)]
    assert list(long_branches(code, start, leaving=True)) == out


@given(st.lists(st.sampled_from((0x0000, 0xBF00, 0xE7FF, 0xE800, 0xF004, 0xFFFF)), max_size=40))
def test_where_instructions_begin(halfwords: list[int]) -> None:
    """As found by going from each instruction to the next one from the first on."""
    begins, at = [], 0
    while at < len(halfwords):
        begins.append(2 * at)
        at += 2 if halfwords[at] >= FIRST_WIDE else 1
    code = struct.pack(f"<{len(halfwords)}H", *halfwords)
    assert list(where_instructions_begin(code, range(0, len(code), 2))) == begins
    assert list(where_instructions_begin(code, begins[1::3])) == begins[1::3]


@pytest.mark.parametrize(("distance", "leaves"), [(0x1FFA, False), (0x1FFC, True), (-4, False), (-6, True)])
def test_the_ends_of_the_code_that_a_branch_may_lead_to(distance: int, leaves: bool) -> None:
    """A BL at the start of 8 KiB of code leaves it from its first byte after the end on, and below its first byte."""
    code = struct.pack("<2H", 0xF000 | distance >> 12 & 0x7FF, 0xF800 | distance >> 1 & 0x7FF).ljust(
        0x2000, b"\0"
    )
    assert [at for at, _ in long_branches(code, 0x1000_0000, leaving=True)] == [0x1000_0000] * leaves
