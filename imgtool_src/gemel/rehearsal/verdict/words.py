"""A finding in words, and what several kinds of them say alike."""

from __future__ import annotations

from collections.abc import Callable

from gemel.rehearsal.raw_run import RawEvent
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.spans import format_address
from gemel.structs import NamedTuple

ERASED = 0xFFFF_FFFF


class Words(NamedTuple):
    """A finding's sentence and its parts."""

    what: str
    found: str = ""
    expected: str = ""
    next_step: str = ""


Wording = Callable[[RawEvent, CodeNames], Words]
"""From an event and names to words."""

_EXCEPTIONS = {
    2: "NMI",
    3: "HardFault",
    4: "MemManage",
    5: "BusFault",
    6: "UsageFault",
    7: "SecureFault",
    11: "SVCall",
    12: "DebugMonitor",
    14: "PendSV",
    15: "SysTick",
}


def exception_name(number: int) -> str:
    """The architecture's name of an exception, or the interrupt's number."""
    return _EXCEPTIONS.get(number, f"exception {number}") if number < 16 else f"interrupt {number - 16}"


def at_address(event: RawEvent, names: CodeNames) -> str:
    """The address that an event is about, with what is there."""
    address = event.numbers["address"]
    named = names.variable(event.core, address)
    where = names.what_is_at(event.core, address)
    return f"{format_address(address)} ({named + ', ' if named else ''}{where})"


def plain(what: str, expected: str = "", next_step: str = "") -> Wording:
    """Words that say nothing of the event but its address."""

    def words(event: RawEvent, names: CodeNames) -> Words:
        found = at_address(event, names) if "address" in event.numbers else ""
        return Words(what.format(core=event.core), found, expected, next_step)

    return words
