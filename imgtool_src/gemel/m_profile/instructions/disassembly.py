"""The text of single instructions, by the disassembler library, which is an extra."""

from __future__ import annotations

from functools import cache
from importlib import import_module
from importlib.util import find_spec
from typing import Any

from gemel.outcomes import Need, Reason

NEEDS_EXTRA = Reason("needs the disassembler: pip install 'gemel[disassemble]'", Need("extra", "disassemble"))
NOT_ASKED = Reason("needs --disassemble: the code was not read", Need("option", "--disassemble"))


def why_not(asked: bool) -> str:
    """Why code is not read instruction by instruction; empty if it is."""
    if not asked:
        return NOT_ASKED
    return "" if find_spec("capstone") else NEEDS_EXTRA


def spelled(data: bytes, address: int) -> str:
    """The one instruction that ``data`` is, as ``vadd.f32 s0, s0, s1``; empty if the library knows none."""
    for _, size, mnemonic, operands in _disassembler().disasm_lite(data, address):
        if size == len(data):
            return f"{mnemonic} {operands}".rstrip()
    return ""


def reads_whole(data: bytes, address: int) -> bool:
    """Whether the library reads each of the instructions that ``data`` is made of."""
    read: int = sum(size for _, size, _, _ in _disassembler().disasm_lite(data, address))
    return read == len(data)


def raw(data: bytes) -> str:
    """The instruction as an assembler takes halfwords, ``.inst.w 0xea5f8012``."""
    digits = data[1::-1].hex() + data[:1:-1].hex()
    return f".inst.{'n' if len(data) == 2 else 'w'} 0x{digits}"


@cache
def _disassembler() -> Any:
    capstone = import_module("capstone")
    return capstone.Cs(
        capstone.CS_ARCH_ARM, capstone.CS_MODE_THUMB | capstone.CS_MODE_MCLASS | capstone.CS_MODE_V8
    )
