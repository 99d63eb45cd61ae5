"""What the entries of an M-profile vector table are called, by architecture.

Source: the exception tables of the Armv6-M, Armv7-M and Armv8-M architectures as the vendor-neutral
core header templates give them.  That SecureFault belongs to Armv8-M Mainline with the Security
Extension alone is from memory.
"""

from __future__ import annotations

from collections.abc import Collection

FIRST_INTERRUPT = 16
"""Number of the entry of external interrupt 0."""

INITIAL_STACK_POINTER = "initial stack pointer"
RESERVED = "reserved"

_ALWAYS = {
    0: INITIAL_STACK_POINTER,
    1: "Reset",
    2: "NMI",
    3: "HardFault",
    11: "SVCall",
    14: "PendSV",
    15: "SysTick",
}
_MAINLINE = {4: "MemManage", 5: "BusFault", 6: "UsageFault", 12: "DebugMonitor"}
_WITH_MAINLINE = ("armv7-m", "armv7e-m", "armv8-m.main", "armv8.1-m.main")


def entry_name(index: int, architecture: str, extensions: Collection[str]) -> str:
    """The name of entry ``index``: of an exception, ``interrupt N``, or ``reserved``."""
    if index >= FIRST_INTERRUPT:
        return f"interrupt {index - FIRST_INTERRUPT}"
    if index in _ALWAYS:
        return _ALWAYS[index]
    if architecture in _WITH_MAINLINE and index in _MAINLINE:
        return _MAINLINE[index]
    if index == 7 and architecture in ("armv8-m.main", "armv8.1-m.main") and "security" in extensions:
        return "SecureFault"
    return RESERVED


def group_name(first: int, last: int, architecture: str, extensions: Collection[str]) -> str:
    """The name of entries ``first`` to ``last``, which are alike."""
    start = entry_name(first, architecture, extensions)
    if first == last or start == RESERVED:
        return start
    if first >= FIRST_INTERRUPT:
        return f"interrupts {first - FIRST_INTERRUPT}-{last - FIRST_INTERRUPT}"
    return f"{start} to {entry_name(last, architecture, extensions)}"
