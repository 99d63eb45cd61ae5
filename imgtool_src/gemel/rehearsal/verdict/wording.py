"""Events in words: what was found, what was expected, what to do next."""

from __future__ import annotations

from gemel.m_profile.vector_tables import word_name
from gemel.rehearsal.emulator.system_space.interrupts import HARD_FAULT
from gemel.rehearsal.raw_run import RawEvent
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.fault_words import FAULT_WORDS
from gemel.rehearsal.verdict.program_ends import program_end
from gemel.rehearsal.verdict.sharing_words import SHARING_WORDS
from gemel.rehearsal.verdict.words import ALIGN_TABLE, ERASED, Words, table_misplaced
from gemel.spans import format_address

TRAPS = ("breakpoint", "undefined-instruction")
"""Instructions by which a library stops a program that it ends."""

_WORDS = {**FAULT_WORDS, **SHARING_WORDS}


def words_for(event: RawEvent, names: CodeNames) -> Words:
    """The words of an event that is a finding."""
    words = _WORDS[event.kind](event, names)
    if event.kind in TRAPS and event.pc is not None:
        end = program_end(event.core, (*event.calls, event.pc), names)
        words = words._replace(
            found="; ".join(filter(None, (words.found, end and f"it came there by {end}")))
        )
    if vector := event.numbers.get("reset_vector"):
        words = words._replace(
            found=f"{words.found}; its reset vector, at {format_address(vector)}, leads there",
            next_step="see what the vector table holds, and whether the build is linked for where it is started",
        )
    locked = event.numbers.get("locked_up")
    if "handler" not in event.numbers and not locked:
        return words
    then = _what_follows(event, names)
    next_step = words.next_step
    if locked and event.numbers.get("masked"):
        next_step += "; and run nothing that may fault under FAULTMASK"
    elif locked and not (
        event.numbers.get("nested") or event.kind.startswith("vectors-") or "erased_by" in event.words
    ):
        if "handler" in event.numbers and "written" not in event.numbers:
            next_step += "; and fill the HardFault vector, so that a later fault is reported"
        elif "written" in event.numbers and event.kind != "bad-vector":
            next_step += f"; and {ALIGN_TABLE}"
    return words._replace(found=f"{words.found}; {then}" if words.found else then, next_step=next_step)


def _what_follows(event: RawEvent, names: CodeNames) -> str:
    """What the hardware does after a fault."""
    handler = event.numbers.get("handler")
    if handler is None:
        return "the core locks up: its HardFault vector is in no memory"
    if not event.numbers["locked_up"]:
        exception = event.numbers.get("exception", HARD_FAULT)
        function, taken = names.handler_name(event.core, handler, exception), word_name(exception)
        return f"the core enters its {taken} handler {function or format_address(handler & ~1)}"
    if event.numbers.get("nested"):
        return "the core locks up: it is in its HardFault or NMI handler already"
    if event.numbers.get("masked"):
        return "the core locks up: FAULTMASK is set, so that no HardFault handler can be entered"
    shown = "erased flash" if handler == ERASED else "no code of this core"
    why = ""
    if "written" in event.numbers and event.kind != "bad-vector":
        why = f" ({table_misplaced(event.numbers['table'], event.numbers['written'])})"
    return f"the core locks up: its HardFault vector {format_address(handler)} is {shown}{why}"
