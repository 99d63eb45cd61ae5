"""The default memory map of M-profile cores (Armv7-M Architecture Reference Manual, table B3-1, from memory)."""

from __future__ import annotations

from gemel.spans import Span

RAM_REGIONS = (Span.from_bounds(0x2000_0000, 0x4000_0000), Span.from_bounds(0x6000_0000, 0xA000_0000))
"""SRAM and external RAM."""

SRAM = RAM_REGIONS[0]
"""Most stacks are here, and what is stored here is lost at power off; beyond it may be external flash."""

STATE_BIT = 1 << 28
"""Set in the address under which secure code sees a memory, clear in the non-secure one (common practice)."""

DEVICE_REGIONS = (Span.from_bounds(0x4000_0000, 0x6000_0000), Span.from_bounds(0xA000_0000, 1 << 32))
"""Registers and the system's own space: no core executes anything there."""

SYSTEM = Span.from_bounds(0xE000_0000, 1 << 32)
"""Registers of the core and of the vendor: no memory, though texts that only a debugger reads may be here."""

OWN_REGISTERS = Span.from_bounds(0xE000_0000, 0xE010_0000)
"""The private peripheral bus: each core has its own registers there."""


def region_of(regions: tuple[Span, ...], address: int) -> Span | None:
    """The region of ``regions`` that holds ``address``."""
    return next((region for region in regions if region.holds(address)), None)
