"""The log of a device's events, with what it takes to report each of them once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.rehearsal.kinds import FATAL, ONCE_A_PLACE, THINNED
from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.raw_run import MAX_EVENTS, RawEvent
from gemel.structs import replace

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore


OVER = ("recovered", "started_again")
"""Numbers of the event of a fault that is over: its handler returned, or its core was reset and started."""


class EventLog:
    """Events in order of report.  Ordinary ones are thinned when there are too many; findings never are."""

    def __init__(self, plan: DevicePlan) -> None:
        self.events: list[RawEvent] = []
        self.last = 0
        """The number of the event reported last, its earlier mention if it was seen before."""
        self.first_fault: int | None = None
        """When the first fault happened from which no core has recovered."""
        self.hands_over_at_faults = ""
        """The core whose turn ends with a fault."""
        self._open: dict[int, int] = {}
        self._plan = plan
        self._places: dict[tuple[str, str, int | None, str], tuple[int, int]] = {}
        self._ordinary = 0
        self.dropped = 0
        """Events that were left out."""
        self._first_users: dict[int, str] = {}

    def add(
        self,
        core: EmulatedCore,
        kind: str,
        pc: int | None,
        numbers: dict[str, int],
        words: dict[str, str],
        when: int,
        is_past: bool = False,
    ) -> None:
        """One more event, at common time ``when``; where it ``is_past``, the calls of now do not lead to it."""
        if kind in FATAL and core.plan.name == self.hands_over_at_faults:
            core.hand_over = True
        if kind in ONCE_A_PLACE or kind in FATAL:
            place = core.plan.name, kind, pc, "".join(words.values())
            if place in self._places:
                self.last, count = self._places[place]
                self._places[place] = self.last, count + 1
                self._note_fault(kind, when)
                return
            self._places[place] = len(self.events), 1
        if kind in THINNED:
            self._ordinary += 1
            if self._ordinary > MAX_EVENTS:
                self._places.pop((core.plan.name, kind, pc, "".join(words.values())), None)
                self.dropped += 1
                return
        self.last = len(self.events)
        self._note_fault(kind, when)
        calls = tuple(call.place for call in core.calls.calls) if core.calls and not is_past else ()
        self.events.append(RawEvent(when, core.plan.name, kind, pc, dict(numbers), dict(words), calls))

    def _note_fault(self, kind: str, when: int) -> None:
        if kind in FATAL:
            self._open[self.last] = when
            self.first_fault = min(self._open.values())
            if self.last < len(self.events):
                event = self.events[self.last]
                kept = {name: value for name, value in event.numbers.items() if name not in OVER}
                self.events[self.last] = replace(event, numbers=kept)

    def recovered(self, number: int) -> None:
        """The fault that is event ``number`` was handled, and its core went on."""
        self._open.pop(number, None)
        self.first_fault = min(self._open.values(), default=None)
        event = self.events[number]
        self.events[number] = replace(event, numbers={**event.numbers, "recovered": 1})

    def started_again(self, core: str) -> None:
        """A core that may have stopped by a fault was reset: its faults are over, unless they come again."""
        for number in [each for each in self._open if self.events[each].core == core]:
            self.recovered(number)
            event = self.events[number]
            self.events[number] = replace(event, numbers={**event.numbers, "started_again": 1})

    def owner_check(
        self, core: EmulatedCore, word: int, *, shared: bool
    ) -> tuple[str, dict[str, str]] | None:
        """Kind and words of the finding about ``core`` touching the device register at ``word``, if it is one.

        ``shared``: by its description both cores use it.
        """
        name = core.plan.name
        for given in self._plan.registers.registers_of:
            if given.start <= word + 3 and word < given.start + given.size:
                if name in given.cores:
                    return None
                return "register-not-given", {"cores": ", ".join(given.cores)}
        if shared:
            return None
        first = self._first_users.setdefault(word, name)
        return ("register-of-both-cores", {"other": first}) if first != name else None

    def count(self) -> None:
        """Put their counts to the events that happened more than once."""
        for (_, kind, _, _), (index, count) in self._places.items():
            if count > 1 and index < len(self.events) and self.events[index].kind == kind:
                event = self.events[index]
                self.events[index] = replace(event, numbers={**event.numbers, "times": count})
