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


def at_address(event: RawEvent, names: CodeNames) -> str:
    """The address that an event is about, with what is there."""
    address = event.numbers["address"]
    named = names.variable(event.core, address)
    where = names.what_is_at(event.core, address)
    return f"{format_address(address)} ({named + ', ' if named else ''}{where})"


class _Number(int):
    """A number of an event; ``address`` formats it as one."""

    def __format__(self, how: str) -> str:
        return format_address(self) if how == "address" else super().__format__(how)


class Parts:
    """What a text can name of an event: core, words, numbers, what is ``at`` its address, ``again`` and again."""

    def __init__(self, event: RawEvent, names: CodeNames) -> None:
        self._event, self._names = event, names

    def __getitem__(self, name: str) -> str | int:
        event = self._event
        if name == "core":
            return event.core
        if name == "at":
            return at_address(event, self._names)
        if name == "register":
            return self._names.register(event.numbers[name])
        if name == "again":
            times = event.numbers.get("times", 1)
            return f", {times:,} times" if times > 1 else ""
        return event.words[name] if name in event.words else _Number(event.numbers[name])


def plain(what: str, expected: str = "", next_step: str = "", found: str = "") -> Wording:
    """Words with parts of the event (``Parts``) in braces; ``found`` is its address, if it has one."""

    def words(event: RawEvent, names: CodeNames) -> Words:
        parts = Parts(event, names)
        shown = found or ("{at}" if "address" in event.numbers else "")
        return Words(*(text.format_map(parts) for text in (what, shown, expected, next_step)))

    return words
