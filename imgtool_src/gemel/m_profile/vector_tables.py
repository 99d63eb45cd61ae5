"""Vector tables of M-profile cores: what each word is for, how tables are aligned, what looks like one.

Words (Armv6-M, Armv7-M and Armv8-M Architecture Reference Manuals, exception model, second-hand;
CMSIS-Core, "Interrupts and Exceptions (NVIC)")::

     0  initial stack pointer      4 MemManage    8..10 reserved      13 reserved
     1  Reset                      5 BusFault     11 SVCall           14 PendSV
     2  NMI                        6 UsageFault   12 DebugMonitor     15 SysTick
     3  HardFault                  7 SecureFault                      16 + n  interrupt n
"""

from __future__ import annotations

import struct
from collections.abc import Collection, Iterator
from functools import cache

from gemel.m_profile.architectures import BASELINES, MAINLINES_OF_V8
from gemel.spans import align_up

MIN_ALIGNMENT = 128
"""Bytes; the vector table offset register has no bits below (Armv7-M: VTOR bits 31:7)."""

FIRST_INTERRUPT = 16
"""Number of the word of external interrupt 0."""

INITIAL_STACK_POINTER = "initial stack pointer"
RESERVED = "reserved"
HARD_FAULT, SECURE_FAULT = 3, 7

_NAMES = {0: INITIAL_STACK_POINTER, 1: "Reset", 2: "NMI", 3: "HardFault", 4: "MemManage", 5: "BusFault"}
_NAMES |= {6: "UsageFault", 7: "SecureFault", 11: "SVCall", 12: "DebugMonitor", 14: "PendSV", 15: "SysTick"}


def alignment_of(interrupts: int, demanded: int | None = None) -> int:
    """Bytes that the table of a core with so many interrupts is aligned to: its size, as a power of two, or more."""
    return max(MIN_ALIGNMENT, demanded or 0, 4 << (FIRST_INTERRUPT + interrupts - 1).bit_length())


def word_name(index: int) -> str:
    """What word ``index`` is for, by the fullest profile: ``SVCall``, ``interrupt 4``, ``reserved``."""
    if index >= FIRST_INTERRUPT:
        return f"interrupt {index - FIRST_INTERRUPT}"
    return _NAMES.get(index, RESERVED)


def reserved_words(architecture: str) -> tuple[int, ...]:
    """The words of the first 16 that this architecture does not use.

    A Mainline core without the security extension never takes SecureFault either, but common start-up code
    for Mainline fills the word, so it counts as a handler there.
    """
    words = {8, 9, 10, 13}
    if architecture in BASELINES:
        words |= {4, 5, 6, 12}
    if architecture not in MAINLINES_OF_V8:
        words.add(SECURE_FAULT)
    return tuple(sorted(words))


def word_name_for(index: int, architecture: str, extensions: Collection[str]) -> str:
    """What word ``index`` is for on such a core; SecureFault is reserved without the security extension."""
    unused = index == SECURE_FAULT and "security" not in extensions
    return RESERVED if unused or index in reserved_words(architecture) else word_name(index)


def group_name(first: int, last: int, architecture: str, extensions: Collection[str]) -> str:
    """The name of words ``first`` to ``last``, which are alike."""
    start = word_name_for(first, architecture, extensions)
    if first == last or start == RESERVED:
        return start
    if first >= FIRST_INTERRUPT:
        return f"interrupts {first - FIRST_INTERRUPT}-{last - FIRST_INTERRUPT}"
    return f"{start} to {word_name_for(last, architecture, extensions)}"


NO_STACK = 0xFFFF_FFFF
"""An erased word: no memory ends there."""


def possible_tables(
    data: bytes | memoryview, address: int, handlers: int = 1
) -> Iterator[tuple[int, int, tuple[int, ...]]]:
    """Where a vector table could be in ``data``, which is at ``address``: place, stack pointer, handlers.

    That is at each multiple of 128 from which the words 1 to ``handlers`` are odd (the Thumb bit), where the first
    is not erased.  Whether
    the stack pointer is in RAM and the handlers are in code is the caller's to judge.
    """
    words = struct.Struct(f"<{1 + handlers}I")
    first = align_up(address, MIN_ALIGNMENT) - address
    last = len(data) - words.size
    for index, low_byte in enumerate(bytes(data[first + 4 :: MIN_ALIGNMENT])):
        offset = first + index * MIN_ALIGNMENT
        if low_byte & 1 and offset <= last:
            stack, *found = words.unpack_from(data, offset)
            if stack != NO_STACK and all(handler & 1 for handler in found):
                yield address + offset, stack, tuple(found)


_NAMED = (
    (2, ("nmi",)),
    (3, ("hard_fault",)),
    (4, ("mem_manage", "memory_management", "mem_manage_fault")),
    (5, ("bus_fault",)),
    (6, ("usage_fault",)),
    (7, ("secure_fault",)),
    (11, ("svc", "sv_call", "svcall")),
    (12, ("debug_mon", "debug_monitor")),
    (14, ("pend_sv", "pendsv")),
    (15, ("sys_tick", "systick")),
)
"""Words of a vector table and what their handlers are called (CMSIS-Core, "Interrupts and Exceptions (NVIC)";
common practice)."""

_CAPITALS = {
    "nmi": "NMI",
    "svc": "SVC",
    "svcall": "SVCall",
    "sv_call": "SVCall",
    "pend_sv": "PendSV",
    "pendsv": "PendSV",
}
"""Names whose capitals are other than those of their parts."""


@cache
def handler_names() -> dict[str, int]:
    """The names that handlers of exceptions have, each with its exception's number."""
    found = {}
    for number, names in _NAMED:
        for name in names:
            capitals = _CAPITALS.get(name) or "".join(part.capitalize() for part in name.split("_"))
            joined = name.replace("_", "")
            for spelled in (
                f"{capitals}_Handler",
                f"{capitals}Handler",
                f"{name}_handler",
                f"{joined}_handler",
            ):
                found[spelled] = number
            found |= {f"isr_{joined}": number, f"isr_{name}": number, f"{capitals}_IRQHandler": number}
    return found
