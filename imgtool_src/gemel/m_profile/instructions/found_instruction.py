"""One instruction that was found in code, with what it is and where it stands."""

from __future__ import annotations

import struct

from gemel.m_profile.instructions.disassembly import raw, spelled
from gemel.m_profile.instructions.instruction_table import Encoding
from gemel.m_profile.instructions.sieve import NEWEST
from gemel.spans import format_address
from gemel.structs import NamedTuple

OF_UNWINDER = frozenset(
    struct.pack("<HHH", first, second, 0x4770)
    for first, second in (
        *((first, second) for first in (0xEC90, 0xEC80) for second in (0x0B20, 0x0B21)),
        (0xECD0, 0x0B20),
        (0xECC0, 0x0B20),
    )
)
"""VLDM or VSTM of d0-d15 or d16-d31 by r0 (FLDMX, FSTMX too), then BX LR: the routines of a compiler's library that
restore what the unwind tables of a thrown exception's frames name (EHABI32, section 10.3), and nothing else does."""


class FoundInstruction(NamedTuple):
    """One instruction: its address as the core sees it, its bytes, what it is, and the function around it.

    ``function`` and ``offset`` into it are empty and 0 where no symbol shows.
    """

    address: int
    data: bytes
    encoding: Encoding
    function: str = ""
    offset: int = 0

    def described(self) -> str:
        """``0x1000_8124 (filter + 12): vadd.f32 s0, s0, s1``."""
        text = format_address(self.address)
        if self.function:
            text += f" ({self.function}{f' + {self.offset}' if self.offset else ''})"
        return f"{text}: {self._spelled()}"

    def _spelled(self) -> str:
        """The instruction; raw where the disassembler reads one that Armv8.1-M added as an older one."""
        text = spelled(self.data, self.address)
        added = NEWEST.intersection(self.encoding.needs)
        misread = added and ("v8.1" in added or not text.startswith("v"))
        return raw(self.data) if misread or not text else text
