"""One line of the timeline for each kind of event."""

from __future__ import annotations

from collections.abc import Callable

from gemel.rehearsal.kinds import ERRORS, UNJUDGED, WARNINGS
from gemel.rehearsal.raw_run import RawEvent
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.loop_words import reads
from gemel.rehearsal.verdict.wording import words_for
from gemel.rehearsal.verdict.words import Parts
from gemel.spans import format_address
from gemel.text.escaping import on_one_line


def timeline_text(event: RawEvent, names: CodeNames) -> str:
    """The event in a few words."""
    if text_of := _TEXTS.get(event.kind):
        return text_of(event, names)
    if event.kind in ERRORS or event.kind in UNJUDGED or event.kind in WARNINGS:
        return words_for(event, names).what
    return event.kind


def _start(event: RawEvent, names: CodeNames) -> str:
    vectors = format_address(event.numbers["vectors"])
    if "reset" not in event.numbers:
        return f"starts from vectors at {vectors}, which cannot be read"
    reset, stack = event.numbers["reset"], event.numbers["stack"]
    handler = names.function_name(event.core, reset) or format_address(reset)
    return f"starts at {handler}, vectors {vectors}, stack {format_address(stack)}"


def _text(event: RawEvent, names: CodeNames) -> str:
    return f"{event.words['port']}: {on_one_line(event.words['line'][:200])}"


def _taken(event: RawEvent, names: CodeNames) -> str:
    number = event.numbers["number"]
    external = f" (interrupt {number - 16})" if number >= 16 else ""
    return f"takes exception {number}{external}{Parts(event, names)['again']}"


def _loops(event: RawEvent, names: CodeNames) -> str:
    register = event.numbers.get("register", event.numbers.get("described"))
    if register is not None and {"register", "lacking"} & event.numbers.keys():
        return f"waits for register {names.register(register)}"
    if "other" in event.numbers:
        return "waits for what another core writes"
    if event.numbers["interrupts"]:
        return "idles until an interrupt"
    return "is in an endless loop"


def _plain(text: str) -> Callable[[RawEvent, CodeNames], str]:
    return lambda event, names: text.format_map(Parts(event, names))


_TEXTS: dict[str, Callable[[RawEvent, CodeNames], str]] = {
    "start": _start,
    "restarts": _plain("resets the device"),
    "released": _plain("releases {of}, vectors {vectors:address}"),
    "control-register": _plain("control register of {of} = {value:address}, which does not release it"),
    "vector-register": _plain("vector register of {of} = {value:address}"),
    "text": _text,
    "goal": _plain("goal: {goal}"),
    "interrupt-raised": _plain("raises interrupt bits {bits:address} on {to}{again}"),
    "exception-taken": _taken,
    "woken": _plain("is woken by exception {number}"),
    "sleeps": _plain("goes to sleep{again}"),
    "loops": _loops,
    "polls": lambda event, names: f"waits: {reads(event, names)} again and again",
    "sleeps-on": _plain("sleeps in a handler again and again, and looks at nothing"),
    "lock-taken": _plain("takes lock {register}{again}"),
    "lock-given-back": _plain("gives back lock {register}{again}"),
    "flash-erased": _plain("erases flash, block {block:address}..{last:address}{again}"),
    "vector-table-moved": _plain("moves its vector table to {value:address}"),
    "held-back-again": _plain("puts {of} back into reset"),
}
