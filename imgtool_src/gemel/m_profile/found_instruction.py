"""One instruction that was found in code, with what it is and where it stands."""

from __future__ import annotations

from gemel.m_profile.disassembly import raw, spelled
from gemel.m_profile.instruction_table import Encoding
from gemel.m_profile.sieve import NEWEST
from gemel.spans import format_address
from gemel.structs import NamedTuple


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
