"""What each fault is on the core: its exception and the bits that it leaves in the status registers.

Armv7-M and Armv8-M architecture reference manuals, "Fault handling" and "Configurable Fault Status Register"
(from memory).
"""

from __future__ import annotations

from gemel.rehearsal.emulator.interrupts import (
    BUS_FAULT,
    HARD_FAULT,
    MEMORY_FAULT,
    SUPERVISOR_CALL,
    USAGE_FAULT,
)
from gemel.structs import NamedTuple

FORCED, BAD_VECTOR, DEBUG_EVENT = 1 << 30, 1 << 1, 1 << 31
BUS_ADDRESS_VALID, MEMORY_ADDRESS_VALID = 1 << 15, 1 << 7


class FaultStatus(NamedTuple):
    """An exception number, and bits for the configurable and the hard fault status register."""

    exception: int
    status: int = 0
    hard: int = 0


_PRECISE = FaultStatus(BUS_FAULT, 1 << 9)

FAULTS = {
    "unmapped-read": _PRECISE,
    "unmapped-write": _PRECISE,
    "write-to-flash": _PRECISE,
    "unprivileged-access": _PRECISE,
    "fetch-unmapped": FaultStatus(BUS_FAULT, 1 << 8),
    "stacking": FaultStatus(BUS_FAULT, 1 << 12),
    "protected-read": FaultStatus(MEMORY_FAULT, 1 << 1),
    "protected-write": FaultStatus(MEMORY_FAULT, 1 << 1),
    "protected-fetch": FaultStatus(MEMORY_FAULT, 1 << 0),
    "protected-stacking": FaultStatus(MEMORY_FAULT, 1 << 4),
    "protected-unstacking": FaultStatus(MEMORY_FAULT, 1 << 3),
    "unstacking": FaultStatus(BUS_FAULT, 1 << 11),
    "fetch-never": FaultStatus(MEMORY_FAULT, 1 << 0),
    "fetch-erased": FaultStatus(USAGE_FAULT, 1 << 16),
    "undefined-instruction": FaultStatus(USAGE_FAULT, 1 << 16),
    "instruction-missing": FaultStatus(USAGE_FAULT, 1 << 16),
    "invalid-state": FaultStatus(USAGE_FAULT, 1 << 17),
    "bad-exception-return": FaultStatus(USAGE_FAULT, 1 << 18),
    "no-coprocessor": FaultStatus(USAGE_FAULT, 1 << 19),
    "float-unit-off": FaultStatus(USAGE_FAULT, 1 << 19),
    "stack-limit-fault": FaultStatus(USAGE_FAULT, 1 << 20),
    "alignment-fault": FaultStatus(USAGE_FAULT, 1 << 24),
    "division-by-zero": FaultStatus(USAGE_FAULT, 1 << 25),
    "bad-vector": FaultStatus(HARD_FAULT, 0, BAD_VECTOR),
    "breakpoint": FaultStatus(HARD_FAULT, 0, DEBUG_EVENT),
    "call-escalated": FaultStatus(SUPERVISOR_CALL),
}
"""The faults of a core that has configurable faults; on others each of them is a HardFault."""

IGNORABLE = frozenset({"unmapped-read", "unmapped-write", "write-to-flash"})
"""Bus faults of loads and stores, which a core may be set to ignore at negative priority."""

FETCH = dict.fromkeys(("fetch-unmapped", "fetch-never", "fetch-erased"), "fetch-outside-code")
"""Faults that are reported under another name."""
