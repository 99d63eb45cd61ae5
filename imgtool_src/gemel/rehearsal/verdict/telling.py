"""One line of the timeline for each kind of event."""

from __future__ import annotations

from collections.abc import Callable

from gemel.rehearsal.kinds import ERRORS, UNJUDGED, WARNINGS
from gemel.rehearsal.raw_run import RawEvent
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.wording import words_for
from gemel.spans import format_address
from gemel.text.escaping import on_one_line


def telling(event: RawEvent, names: CodeNames) -> str:
    """The event in a few words."""
    text_of = _TEXTS.get(event.kind)
    if text_of:
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


def _released(event: RawEvent, names: CodeNames) -> str:
    return f"releases {event.words['of']}, vectors {format_address(event.numbers['vectors'])}"


def _vector(event: RawEvent, names: CodeNames) -> str:
    return f"vector register of {event.words['of']} = {format_address(event.numbers['value'])}"


def _control(event: RawEvent, names: CodeNames) -> str:
    value = format_address(event.numbers["value"])
    return f"control register of {event.words['of']} = {value}, which does not release it"


def _text(event: RawEvent, names: CodeNames) -> str:
    return f"{event.words['port']}: {on_one_line(event.words['line'][:200])}"


def _goal(event: RawEvent, names: CodeNames) -> str:
    return f"goal: {event.words['goal']}"


def _raised(event: RawEvent, names: CodeNames) -> str:
    times = event.numbers.get("times", 1)
    again = f", {times:,} times" if times > 1 else ""
    return f"raises interrupt bits {format_address(event.numbers['bits'])} on {event.words['to']}{again}"


def _taken(event: RawEvent, names: CodeNames) -> str:
    number, times = event.numbers["number"], event.numbers.get("times", 1)
    external = f" (interrupt {number - 16})" if number >= 16 else ""
    return f"takes exception {number}{external}" + (f", {times:,} times" if times > 1 else "")


def _woken(event: RawEvent, names: CodeNames) -> str:
    return f"is woken by exception {event.numbers['number']}"


def _sleeps(event: RawEvent, names: CodeNames) -> str:
    times = event.numbers.get("times", 1)
    return "goes to sleep" + (f", {times:,} times" if times > 1 else "")


def _loops(event: RawEvent, names: CodeNames) -> str:
    register = event.numbers.get("register", event.numbers.get("described"))
    if register is not None and {"register", "lacking"} & event.numbers.keys():
        return f"waits for register {names.register(register)}"
    if event.numbers["interrupts"]:
        return "idles until an interrupt"
    return "is in an endless loop"


def _lock(verb: str) -> Callable[[RawEvent, CodeNames], str]:
    def text_of(event: RawEvent, names: CodeNames) -> str:
        times = event.numbers.get("times", 1)
        again = f", {times:,} times" if times > 1 else ""
        return f"{verb} lock {names.register(event.numbers['register'])}{again}"

    return text_of


def _moved(event: RawEvent, names: CodeNames) -> str:
    return f"moves its vector table to {format_address(event.numbers['value'])}"


def _held_back(event: RawEvent, names: CodeNames) -> str:
    return f"puts {event.words['of']} back into reset"


_TEXTS: dict[str, Callable[[RawEvent, CodeNames], str]] = {
    "start": _start,
    "restarts": lambda event, names: "resets the device",
    "released": _released,
    "control-register": _control,
    "vector-register": _vector,
    "text": _text,
    "goal": _goal,
    "interrupt-raised": _raised,
    "exception-taken": _taken,
    "woken": _woken,
    "sleeps": _sleeps,
    "loops": _loops,
    "lock-taken": _lock("takes"),
    "lock-given-back": _lock("gives back"),
    "vector-table-moved": _moved,
    "held-back-again": _held_back,
}
