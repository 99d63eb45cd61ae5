"""Whether a vector table can do without the words of interrupts: what is in their place, and whether any is enabled.

NVIC_ISER0..15 at 0xE000E100, 0x0002_0000 above it those of the non-secure state: Armv7-M Architecture Reference Manual,
B3.4, and Armv8-M Architecture Reference Manual (from memory).
"""

from __future__ import annotations

import re

from gemel.inspection.code.address_literals import holders_of
from gemel.inspection.cores.implausible_handlers import code_around
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.m_profile.code.flow import Flow
from gemel.m_profile.vector_tables import FIRST_INTERRUPT
from gemel.spans import Span

_SPACES = 0xE000_E000, 0xE002_E000
_ENABLING = frozenset(space + at for space in _SPACES for at in range(0x100, 0x140, 4))
_BASES = tuple(space + at for space in _SPACES for at in (0, 0x10, 0x14, 0x18))
"""What compilers have a register hold for several stores: the space, or a register of the tick timer."""

_STORES = re.compile(rb"[\xC0-\xCE]\xF8(..)", re.DOTALL)
"""STR.W Rt, [Rn, #imm12]: 111110001100 Rn Rt imm12 (from memory)."""


def is_code_after_exceptions(inspection: Inspection, table: VectorTable) -> bool:
    """Whether code that the handlers of an image alone lead to is where the words of interrupts would be."""
    span = code_around(inspection, table)
    start = table.placed.run_start + span.start - table.placed.stored.start
    flow = Flow(inspection.bytes_of(span), start)
    words = [word for word in table.words[1:FIRST_INTERRUPT] if word & 1]
    flow.follow(word for word in words if Span(start, span.size).holds(word))
    first = table.span.start - span.start
    return any(flow.sizes[(first + 4 * FIRST_INTERRUPT) // 2 : (first + 4 * len(table.words)) // 2])


def may_enable_interrupts(inspection: Inspection, table: VectorTable) -> bool:
    """Whether the build holds the address of a register that enables interrupts, or a base that it stores from."""
    data, start = inspection.bytes_of(table.placed.stored), table.placed.run_start

    def holds(*addresses: int) -> bool:
        return any(next(holders_of(address, data, start), None) for address in addresses)

    offsets = {int.from_bytes(half, "little") & 0xFFF for half in _STORES.findall(data)}
    bases = [base for base in _BASES if any(base + offset in _ENABLING for offset in offsets)]
    return holds(*sorted(_ENABLING), *bases)
