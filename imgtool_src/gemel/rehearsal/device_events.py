"""The log of a device's events, with what it takes to tell of each of them once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from gemel.rehearsal.kinds import FATAL, ONCE_A_PLACE
from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.raw_run import MAX_EVENTS, RawEvent

if TYPE_CHECKING:
    from gemel.rehearsal.device import Device
    from gemel.rehearsal.emulated_core import EmulatedCore

FOLLOWED_WHOLE = 250
"""A run of at most this many turns is followed from its start, so that back traces are whole."""

FOLLOWED_BEFORE = 60
"""Turns before a finding that are followed in a longer run."""

MAX_TURNS_FOLLOWED = 400


class EventLog:
    """Events in order of time."""

    def __init__(self, device: Device) -> None:
        self.events: list[RawEvent] = []
        self.fatal = False
        self._device = device
        self._places: dict[tuple[str, str, int | None, str], tuple[int, int]] = {}
        self._turns: set[int] = set()
        self._turns_of_findings: set[int] = set()
        self._dropped = 0
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
        self.note_turn()
        if kind in FATAL:
            self.fatal = True
        if kind in ONCE_A_PLACE:
            place = core.plan.name, kind, pc, "".join(words.values())
            if place in self._places:
                index, count = self._places[place]
                self._places[place] = index, count + 1
                return
            self._places[place] = len(self.events), 1
        if len(self.events) >= MAX_EVENTS:
            self._dropped += 1
            return
        calls = tuple(call for call, _ in core.calls.calls) if core.calls else ()
        when = self._device.now(core) if time is None else time
        self.events.append(RawEvent(when, core.plan.name, kind, pc, dict(numbers), dict(words), calls))
        if kind != "text":
            self._turns_of_findings.add(self._device.turn)

    def note_turn(self) -> None:
        """Something in this turn is worth an exact count."""
        self._turns.add(self._device.turn)

    def check_owner(self, core: EmulatedCore, address: int, pc: int) -> None:
        """A finding if ``core`` must not touch the device register at a plain address."""
        device, name = self._device, core.plan.name
        word = address & ~3
        for given in device.plan.registers.registers_of:
            if given.start <= address < given.start + given.size:
                if name not in given.cores:
                    words = {"cores": ", ".join(given.cores)}
                    self.add(core, "register-not-given", pc, {"register": address}, words)
                return
        if word in device.registers.shared:
            return
        first = self._first_users.setdefault(word, name)
        if first != name:
            self.add(core, "register-of-both-cores", pc, {"register": word}, {"other": first})

    def finish(self, ended: str) -> None:
        """Put the counts to the events that happened more than once, and tell of locks still held."""
        for (_, kind, _, _), (index, count) in self._places.items():
            if count > 1 and index < len(self.events) and self.events[index].kind == kind:
                event = self.events[index]
                self.events[index] = replace(event, numbers={**event.numbers, "times": count})
        for mutex in self._device.registers.mutexes.values():
            if mutex.holder:
                core = self._device.cores[mutex.holder]
                if ended == "goals" and core.state == "running":
                    continue  # the run ended while it had the lock
                waited = ", ".join(sorted(mutex.waited - {mutex.holder}))
                self.add(
                    core, "lock-not-given-back", core.pc, {"register": mutex.plan.at}, {"waited": waited}
                )

    def notes(self) -> Iterator[str]:
        """What the run could not show, in words."""
        if self._dropped:
            yield f"{self._dropped:,} further events were left out"
        for core in self._device.cores.values():
            for used in sorted(core.system.used):
                yield f"{core.plan.name}: {used}"

    def turns_to_follow(self, plan: DevicePlan, turns: int) -> set[int]:
        """The turns in which a second run follows every block."""
        wanted = {0}
        for turn in sorted(self._turns_of_findings)[:MAX_TURNS_FOLLOWED]:
            wanted.update(range(max(0, turn - (FOLLOWED_BEFORE if self.fatal else 0)), turn + 1))
        wanted.update(sorted(self._turns)[:MAX_TURNS_FOLLOWED])
        if max(wanted) <= FOLLOWED_WHOLE:
            wanted.update(range(max(wanted) + 1))
        return wanted
