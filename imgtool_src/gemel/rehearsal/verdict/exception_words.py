"""Words for what goes wrong as an exception is taken, is handled and returns."""

from __future__ import annotations

from gemel.m_profile.vector_tables import word_name
from gemel.rehearsal.emulator.system_space.interrupts import SECURE_FAULT, SUPERVISOR_CALL, TICK
from gemel.rehearsal.emulator.system_space.registers import TICK_RELOAD
from gemel.rehearsal.raw_run import RawEvent
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.words import (
    ALIGN_TABLE,
    Wording,
    Words,
    at_address,
    held_back,
    left_by_branch,
    plain,
    table_misplaced,
)
from gemel.spans import format_address
from gemel.structs import replace

EXCEPTION_NUMBER = 0x1FF
"""The bits of xPSR that say which handler runs."""


SHPR = 0xE000_ED14
"""Four bytes before SHPR1: what is added is the number of the first exception in the register."""


NEAR_ZERO = 256
"""A stack pointer below this has been set to no stack, and perhaps moved since."""


def stack_nowhere(what: str, found: str, event: RawEvent) -> Words:
    """Words of an access by a stack pointer that is in no memory, or leaves its own."""
    pointer, process = event.numbers["pointer"], event.numbers["process"]
    name = "process stack pointer" if process else "stack pointer"
    found = f"{found}; the {name} is {format_address(pointer)}"
    if pointer >= NEAR_ZERO:
        return Words(
            what,
            found,
            "a stack pointer within a stack",
            f"give the stack more room, or correct the {name}",
        )
    early = (
        ", and let no exception that switches tasks be taken before the first task runs" if process else ""
    )
    return Words(
        what,
        f"{found}, which no code has set to a stack",
        f"a {name} that is set before it is used",
        f"set the {name} to the top of a stack before{early}",
    )


def _stacking(event: RawEvent, names: CodeNames) -> Words:
    what = f"core {event.core} cannot stack an exception frame"
    return stack_nowhere(what, at_address(event, names), event)


def _livelock(event: RawEvent, names: CodeNames) -> Words:
    name = word_name(event.numbers["number"])
    handler = names.function_name(event.core, event.numbers["vector"] & ~1)
    again = f"{name} is pending again each time that its handler{f' {handler}' if handler else ''} returns"
    if event.numbers["number"] <= SECURE_FAULT:
        return Words(
            f"core {event.core} does nothing but fault: the handler of {name} returns to the instruction that faults",
            "the same instruction faults again each time that the handler returns",
            "a handler that removes the cause, or goes on after the instruction",
            "correct what faults, or let the handler stop the core",
        )
    if event.numbers["number"] == TICK:
        return Words(
            f"core {event.core} does nothing but take {name}: it comes again before its handler returns",
            again,
            "a period in which the handler returns, and thread code gets on",
            f"raise the reload value of {name} (SYST_RVR, {format_address(TICK_RELOAD)}), or shorten the handler",
        )
    return Words(
        f"core {event.core} does nothing but take {name}: its source is never cleared",
        again,
        "a handler that clears what raised the interrupt",
        "clear the interrupt at its source in the handler, or give thread code time between interrupts",
    )


def _still_active(event: RawEvent) -> Words:
    """A return to thread code while another handler, which the returning one has interrupted, is active."""
    numbers = event.numbers
    name, active = word_name(numbers["number"]), word_name(numbers["active"])
    system = numbers["number"] & ~3  # SHPR1 holds the priorities of the exceptions 4 to 7
    register = (
        "NVIC_IPR" if numbers["number"] > TICK else f"SHPR{system // 4}, {format_address(SHPR + system)}"
    )
    next_step = f"give {name} the lowest priority ({register}), so that it interrupts no handler"
    if numbers["number"] < SUPERVISOR_CALL:  # a fault
        next_step = "see what the handler does with the link register"
    return Words(
        f"core {event.core} returns from {name} to thread code while the handler of {active} is active",
        f"{name}, of priority {_priority(numbers['priority'])}, has interrupted the handler of {active}, of priority "
        f"{_priority(numbers['active_priority'])}; its link value {format_address(numbers['link'])} returns to thread "
        "mode",
        "a return to the handler that was interrupted: thread mode is for the last one (CCR.NONBASETHRDENA is 0)",
        next_step,
    )


def _priority(value: int) -> str:
    return f"0x{value:02X}" if value >= 0 else str(value)


def _bad_return(event: RawEvent, names: CodeNames) -> Words:
    if "active" in event.numbers:
        return _still_active(event)
    link = format_address(event.numbers["link"])
    if "status" not in event.numbers:
        return Words(
            f"core {event.core} returns from an exception with an impossible link value",
            link,
            "the link value that the core put into the link register",
            "see what the handler does with the link register",
        )
    status = event.numbers["status"]
    to_thread = status & EXCEPTION_NUMBER
    return Words(
        f"core {event.core} returns from an exception to a frame that does not fit",
        f"the frame at {at_address(event, names)} holds xPSR {format_address(status)}, of "
        f"{'a handler' if to_thread else 'thread code'}; the link value {link} returns to "
        f"{'thread code' if to_thread else 'a handler'}",
        "the frame that the core stacked, with the number of the exception in the lowest nine bits of xPSR"
        + (", 0 of thread code" if to_thread else ""),
        "see what wrote over the frame, such as a stack that is too small, and where the stack pointer was set",
    )


_CALL_ESCALATED = plain(
    "core {core} makes a supervisor call that cannot be taken, which is a HardFault",
    "a supervisor call where priority and masks let it be taken",
    "do not call with interrupts masked, or from a handler of the same or a higher priority",
)


def _call_escalated(event: RawEvent, names: CodeNames) -> Words:
    words, numbers = _CALL_ESCALATED(event, names), event.numbers
    if "from" not in numbers:
        masks = numbers["primask"], numbers["basepri"], numbers["faultmask"]
        why = held_back(numbers["priority"], masks, numbers["runs"], numbers["runs_at"])
        return words._replace(found=f"SVCall is {why}")
    places = numbers["from"], numbers["to"], numbers["popped"]
    left = left_by_branch(event.core, numbers["number"], numbers["vector"], places, names)
    if not left:
        return words
    next_step = "see what the handler does with the link register and the stack pointer before that branch"
    return words._replace(found=f"{left}, so that the core is in handler mode", next_step=next_step)


def _bad_vector(event: RawEvent, names: CodeNames) -> Words:
    numbers = event.numbers
    takes = f"core {event.core} takes {word_name(numbers['number'])}"
    if "vector" in numbers:
        words = Words(
            f"{takes}, whose vector is no code",
            f"vector {numbers['number']} is {format_address(numbers['vector'])}",
            "the address of a handler of this core, bit 0 set",
            "fill the vector, or do not enable the interrupt",
        )
    else:
        words = Words(
            f"{takes}, but its vector table is in no memory",
            f"VTOR is {format_address(numbers['table'])}",
            "a vector table in a memory that this core sees",
            "set VTOR to the vector table of the build; where the device has a memory there that the layout gives "
            "another address, add this one to its aliases",
        )
    if "written" not in numbers:
        return words
    moved = table_misplaced(numbers["table"], numbers["written"])
    return words._replace(found=f"{words.found}: {moved}", next_step=ALIGN_TABLE)


_UNSTACKING = plain(
    "core {core} cannot unstack an exception frame",
    "the frame where it was stacked",
    "see what the handler does with the stack pointer",
)


def _unstacking(event: RawEvent, names: CodeNames) -> Words:
    words, pointer = _UNSTACKING(event, names), event.numbers["address"]
    if pointer >= NEAR_ZERO:
        return words
    numbers = {**event.numbers, "pointer": pointer}
    return stack_nowhere(words.what, at_address(event, names), replace(event, numbers=numbers))


EXCEPTION_WORDS: dict[str, Wording] = {
    "bad-vector": _bad_vector,
    "bad-exception-return": _bad_return,
    "stacking": _stacking,
    "unstacking": _unstacking,
    "call-escalated": _call_escalated,
    "interrupt-livelock": _livelock,
}
