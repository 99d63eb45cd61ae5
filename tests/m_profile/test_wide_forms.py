"""The 32-bit forms of 16-bit instructions, held against capstone as the independent reader."""

from __future__ import annotations

import struct

import capstone

from gemel.m_profile.instructions.halfwords import FIRST_WIDE
from gemel.m_profile.instructions.wide_forms import MULTIPLIES_WITH_FLAGS, wide_form

AS_SHORT = {"addw": "add", "subw": "sub"}


def _read(disassembler: capstone.Cs, *halves: int) -> tuple[str, list[str]] | None:
    """Mnemonic without its width, and operands; None where there is no such instruction."""
    found = next(disassembler.disasm(struct.pack(f"<{len(halves)}H", *halves), 0x1000), None)
    if found is None or found.size != 2 * len(halves):
        return None
    name, operands = found.mnemonic.removesuffix(".w"), found.op_str
    if operands.startswith("sp!"):
        name, operands = ("pop" if name == "ldm" else "push"), operands.removeprefix("sp!, ")
    return AS_SHORT.get(name, name), [each.strip() for each in operands.split(",")]


def _in_full(narrow: tuple[str, list[str]], wide: tuple[str, list[str]]) -> tuple[str, list[str]]:
    """The narrow one with its first operand twice, where the wide one has one operand more."""
    name, operands = narrow
    if name == "adr":
        return "add", [operands[0], "pc", *operands[1:]]
    return (name, [operands[0], *operands]) if len(operands) + 1 == len(wide[1]) else narrow


def _in_order(read: tuple[str, list[str]]) -> tuple[str, list[str]]:
    """An ADD with what it adds in one order."""
    name, (first, *others) = read
    return name, [first, *(sorted(others) if name == "add" else others)]


def test_each_is_the_same_instruction() -> None:
    """Every 16-bit instruction but branches, jumps and hints has the form that reads the same."""
    disassembler = capstone.Cs(capstone.CS_ARCH_ARM, capstone.CS_MODE_THUMB | capstone.CS_MODE_MCLASS)
    compared, stayed = 0, set()
    for first in range(FIRST_WIDE):
        narrow, (wide, second) = _read(disassembler, first), wide_form(first, 0)
        if narrow is None:
            continue
        if wide < FIRST_WIDE:
            assert (wide, second) == (first, 0)
            stayed.add(narrow[0].split(".")[0])
            continue
        if narrow[0] == "muls":
            assert second & MULTIPLIES_WITH_FLAGS
            narrow, second = ("mul", narrow[1]), second & ~MULTIPLIES_WITH_FLAGS
        read = _read(disassembler, wide, second)
        if read is None:
            assert narrow[0] in ("ldm", "stm", "add", "cmp", "mov", "pop", "push"), (
                narrow
            )  # not allowed as wide ones
            continue
        assert _in_order(_in_full(narrow, read)) == _in_order(read), hex(first)
        compared += 1
    assert compared > 0xB000
    hints = {
        "nop",
        "yield",
        "wfe",
        "wfi",
        "sev",
        "hint",
        "cpsie",
        "cpsid",
        "svc",
        "udf",
        "trap",
        "add",
        "mov",
    }
    assert {each for each in stayed if not each.startswith(("b", "cb", "it"))} == hints
