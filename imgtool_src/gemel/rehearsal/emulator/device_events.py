"""The log of a device's events, with what it takes to report each of them once."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.rehearsal.kinds import FATAL, ONCE_A_PLACE, THINNED
from gemel.rehearsal.raw_run import MAX_EVENTS, RawEvent
from gemel.structs import replace

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore
    from gemel.rehearsal.emulator.device import Device


class EventLog:
    """Events in order of report.  Ordinary ones are thinned when there are too many; findings never are."""

    def __init__(self, device: Device) -> None:
        self.events: list[RawEvent] = []
        self.last = 0
        """The number of the event reported last, its earlier mention if it was seen before."""
        self.first_fault: int | None = None
        """When the first fault happened from which no core has recovered."""
        self._open: dict[int, int] = {}
        self._device = device
        self._places: dict[tuple[str, str, int | None, str], tuple[int, int]] = {}
        self._ordinary = self._dropped = 0
        self._first_users: dict[int, str] = {}

    def add(
        self,
        core: EmulatedCore,
        kind: str,
        pc: int | None,
        numbers: dict[str, int],
        words: dict[str, str],
        time: int | None = None,
    ) -> None:
        """One more event, at ``time`` (None: at the core's current instruction)."""
        when = self._device.schedule.common(core, core.now()) if time is None else time
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
                self._dropped += 1
                return
        self.last = len(self.events)
        self._note_fault(kind, when)
        calls = tuple(call for call, _ in core.calls.calls) if core.calls else ()
        self.events.append(RawEvent(when, core.plan.name, kind, pc, dict(numbers), dict(words), calls))

    def _note_fault(self, kind: str, when: int) -> None:
        if kind in FATAL:
            self._open[self.last] = when
            self.first_fault = min(self._open.values())
            if self.last < len(self.events):
                event = self.events[self.last]
                kept = {name: value for name, value in event.numbers.items() if name != "recovered"}
                self.events[self.last] = replace(event, numbers=kept)

    def recovered(self, number: int) -> None:
        """The fault that is event ``number`` was handled, and its core went on."""
        self._open.pop(number, None)
        self.first_fault = min(self._open.values(), default=None)
        event = self.events[number]
        self.events[number] = replace(event, numbers={**event.numbers, "recovered": 1})

    def owner_check(self, core: EmulatedCore, word: int) -> tuple[str, dict[str, str]] | None:
        """The finding about ``core`` touching the device register at plain address ``word``, if it is one.

        Its kind and words.
        """
        name = core.plan.name
        for given in self._device.plan.registers.registers_of:
            if given.start <= word + 3 and word < given.start + given.size:
                if name in given.cores:
                    return None
                return "register-not-given", {"cores": ", ".join(given.cores)}
        if word in self._device.registers.shared:
            return None
        first = self._first_users.setdefault(word, name)
        return ("register-of-both-cores", {"other": first}) if first != name else None

    def finish(self, ended: str) -> None:
        """Put the counts to the events that happened more than once; report what was left undone.

        That is locks still held, and write units of flash that were programmed in part.
        """
        for (_, kind, _, _), (index, count) in self._places.items():
            if count > 1 and index < len(self.events) and self.events[index].kind == kind:
                event = self.events[index]
                self.events[index] = replace(event, numbers={**event.numbers, "times": count})
        for mutex in self._device.registers.mutexes.values():
            if mutex.holder:
                core = self._device.cores[mutex.holder]
                if ended == "goals" and core.runs:
                    continue  # the run ended while it had the lock
                waited = ", ".join(sorted(mutex.waited - {mutex.holder}))
                self.add(
                    core, "lock-not-given-back", core.pc, {"register": mutex.plan.at}, {"waited": waited}
                )
        for flash in self._device.registers.flash:
            for name, address, count in flash.partly_programmed():
                numbers = {
                    "address": address,
                    "count": count,
                    "unit": self._device.write_unit(flash.plan.memory),
                }
                self.add(self._device.cores[name], "write-unit-in-part", None, numbers, {})

    def notes(self) -> Iterator[str]:
        """What the run could not show, in words."""
        if self._dropped:
            yield f"{self._dropped:,} further events were left out"
        for core in self._device.cores.values():
            for used in sorted(core.system.used):
                yield f"{core.plan.name}: {used}"
