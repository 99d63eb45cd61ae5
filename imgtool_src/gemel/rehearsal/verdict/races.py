"""Races: accesses of two cores to the same shared bytes with nothing that orders them.

Vector clocks over the trace of a run (a standard way; common practice).  What one core does before it releases
another, interrupts it, gives a lock back, or writes what the other one polls or reads by an exclusive or acquire
access, comes before what the other does after.  A place polls where it reads the same bytes again and again
until they change, in any of the runs, or where a short loop holds it; what it reads is a signal, not data.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from gemel.rehearsal.raw_run import RawRun, RawTrace, TraceEntry
from gemel.structs import NamedTuple, Struct

Clock = dict[str, int]
Site = tuple[str, int]


LONGEST_CHANGE = 32
"""Bytes of code from a read to the write of what was made of it, at most."""


class Race(Struct):
    """Two accesses that nothing orders; ``loses_updates`` if one core's change can undo the other's."""

    first: TraceEntry
    second: TraceEntry
    loses_updates: bool


class _Access(NamedTuple):
    entry: TraceEntry
    own: int
    clock: Clock


def races_of(runs: Sequence[RawRun]) -> list[Race]:
    """The races of all runs, one for each place in a shared area, those that lose updates first."""
    traces = [run.trace for run in runs if run.trace is not None]
    polls = {site for trace in traces for site in trace.polls} | {s for t in traces for s in _repeats(t)}
    changes = {site for trace in traces for site in _changing(trace, polls)}
    polls |= {site for trace in traces for site in trace.loops} - changes - _walking(traces)
    polls |= {site for trace in traces for site in _before_polls(trace, polls)}
    found: dict[tuple[Site, Site], Race] = {}
    for trace in traces:
        for race in _races(trace, polls, changes):
            sides = sorted(((race.first.core, race.first.pc), (race.second.core, race.second.pc)))
            found.setdefault((sides[0], sides[1]), race)
    ordered = sorted(found.values(), key=lambda race: not race.loses_updates)
    by_place: dict[tuple[str, int], Race] = {}
    for race in ordered:
        by_place.setdefault((race.second.area, race.second.offset), race)
    return list(by_place.values())


def _by_core(trace: RawTrace) -> dict[str, list[TraceEntry]]:
    accesses: dict[str, list[TraceEntry]] = {}
    for entry in trace.entries:
        if entry.kind in ("r", "w"):
            accesses.setdefault(entry.core, []).append(entry)
    return accesses


def _changing(trace: RawTrace, polls: set[Site]) -> Iterator[Site]:
    """Places that read bytes and places that write them soon after: a change that is not one access."""
    for core, entries in _by_core(trace).items():
        read: dict[tuple[str, int, int], int] = {}
        for entry in entries:
            bytes_of = entry.area, entry.offset, entry.size
            if entry.kind == "r":
                read[bytes_of] = entry.pc
            elif bytes_of in read:
                at = read.pop(bytes_of)
                if (core, at) not in polls and 0 < entry.pc - at <= LONGEST_CHANGE:
                    yield core, at
                    yield core, entry.pc


def _repeats(trace: RawTrace) -> Iterator[Site]:
    """Places that read the same bytes again with no write of their own core to them in between."""
    for core, entries in _by_core(trace).items():
        seen: set[tuple[int, str, int]] = set()
        for entry in entries:
            if entry.kind == "w":
                seen = {each for each in seen if each[1:] != (entry.area, entry.offset)}
            elif (entry.pc, entry.area, entry.offset) in seen:
                yield core, entry.pc
            else:
                seen.add((entry.pc, entry.area, entry.offset))


def _before_polls(trace: RawTrace, polls: set[Site]) -> Iterator[Site]:
    """Places that read what a polling place reads next: the first look, which compilers put before the loop."""
    for core, entries in _by_core(trace).items():
        for entry, after in pairwise(entries):
            same = (entry.area, entry.offset, entry.size) == (after.area, after.offset, after.size)
            if same and entry.kind == after.kind == "r" and (core, after.pc) in polls:
                yield core, entry.pc


def _walking(traces: Sequence[RawTrace]) -> set[Site]:
    """Places that read more than one address: they copy or compare, and do not wait."""
    first: dict[Site, tuple[str, int]] = {}
    walking = set()
    for trace in traces:
        for entry in trace.entries:
            if entry.kind == "r":
                where = entry.area, entry.offset
                if first.setdefault((entry.core, entry.pc), where) != where:
                    walking.add((entry.core, entry.pc))
    return walking


def _joined(left: Clock, right: Clock) -> Clock:
    return {core: max(left.get(core, 0), right.get(core, 0)) for core in left.keys() | right.keys()}


def _races(trace: RawTrace, polls: set[Site], changes: set[Site]) -> Iterator[Race]:
    clocks: dict[str, Clock] = {}
    sent: dict[tuple[str, object], Clock] = {}
    writes: dict[tuple[str, int], _Access] = {}
    reads: dict[tuple[str, int], dict[str, _Access]] = {}
    for entry in trace.entries:
        clock = clocks.setdefault(entry.core, {entry.core: 1})
        if entry.kind not in "rRwW":
            clocks[entry.core] = _received(entry, clock, sent)
            continue
        signal = entry.kind in "RW" or (entry.kind == "r" and (entry.core, entry.pc) in polls)
        places = [(entry.area, entry.offset + byte) for byte in range(entry.size)]
        if signal:
            for place in places:
                if place in writes:
                    clock = _joined(clock, writes[place].clock)
        access = _Access(entry, clock[entry.core], clock)
        for place in places if not signal else ():
            others = [writes[place]] if place in writes else []
            if entry.kind == "w":
                others += reads.get(place, {}).values()
            for other in others:
                if other.entry.core != entry.core and other.own > clock.get(other.entry.core, 0):
                    yield Race(other.entry, entry, _loses(other.entry, entry, changes))
        if entry.kind == "r" and not signal:
            for place in places:
                reads.setdefault(place, {})[entry.core] = access
        if entry.kind in "wW":
            for place in places:
                if entry.kind == "w":
                    writes[place] = access
                    reads.pop(place, None)
                else:
                    writes[place] = _Access(entry, 0, clock)
            clock = {**clock, entry.core: clock[entry.core] + 1}
        clocks[entry.core] = clock


def _loses(first: TraceEntry, second: TraceEntry, changes: set[Site]) -> bool:
    """Whether both write, and one of them what it had read before."""
    if first.kind != "w" or second.kind != "w":
        return False
    return (first.core, first.pc) in changes or (second.core, second.pc) in changes


def _received(entry: TraceEntry, clock: Clock, sent: dict[tuple[str, object], Clock]) -> Clock:
    """The core's clock after an event by which one core hands over to another."""
    if entry.kind in ("released", "interrupt-raised", "lock-given-back"):
        to: tuple[str, object] = (
            ("lock", entry.offset) if entry.kind == "lock-given-back" else ("core", entry.area)
        )
        sent[to] = _joined(sent.get(to, {}), clock)
        return {**clock, entry.core: clock[entry.core] + 1}
    to = ("lock", entry.offset) if entry.kind == "lock-taken" else ("core", entry.core)
    return _joined(clock, sent.get(to, {}))
