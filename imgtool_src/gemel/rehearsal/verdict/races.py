"""Races: accesses of two cores to the same shared bytes with nothing that orders them.

Vector clocks over the trace of a run (a standard way; common practice).  What one core does before it releases
another, interrupts it, gives a lock back, or writes what the other one polls or reads by an exclusive or acquire
access, comes before what the other does after.  A place polls where it reads the same bytes again and again
until they change, in any of the runs, or where a short loop holds it; what it reads is a signal, not data.

No signal is what both cores take at the same value to write it then: neither owns it.  Where orders differ and
no race of data explains that, the signals are looked at that do not decide how long their loop goes round: the same
value has them read again and go on.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from itertools import pairwise

from gemel.rehearsal.raw_run import RawRun, RawTrace, TraceEntry
from gemel.structs import NamedTuple, Struct

Clock = dict[str, int]
Site = tuple[str, int]


MAX_CHANGE = 128
"""Bytes of code from a read to the write of what was made of it, at most."""


class Race(Struct):
    """Two accesses that nothing orders; ``loses_updates`` if one core's change can undo the other's.

    ``polled`` if the one that reads is a signal that does not decide how long its loop goes round.
    """

    first: TraceEntry
    second: TraceEntry
    loses_updates: bool
    polled: bool = False


class _Sites(NamedTuple):
    polls: set[Site]
    changes: set[Site]
    undecided: set[Site]


class _Access(NamedTuple):
    entry: TraceEntry
    own: int
    clock: Clock


def races_of(runs: Sequence[RawRun]) -> list[Race]:
    """The races of all runs, one for each place in a shared area, those that lose updates first, those polled last."""
    traces = [run.trace for run in runs if run.trace is not None]
    walking = _walking(traces)
    polls = _repeating(traces, walking)
    claimed = {site for trace in traces for site in _taken_by_both(trace)} | _Turns(
        traces, polls
    ).overwriting()
    polls -= claimed
    changes = claimed | {site for trace in traces for site in _changing(trace, polls)}
    polls |= {site for trace in traces for site in trace.loops} - changes - walking
    polls |= {site for trace in traces for site in _before_polls(trace, polls)} - claimed
    undecided = _Turns(traces, polls).undecided()
    undecided |= {site for trace in traces for site in _before_polls(trace, undecided)}
    sites = _Sites(polls, changes, undecided)
    found: dict[tuple[Site, Site, bool], Race] = {}
    for trace in traces:
        for race in _races(trace, sites):
            sides = sorted(((race.first.core, race.first.pc), (race.second.core, race.second.pc)))
            found.setdefault((sides[0], sides[1], race.polled), race)
    ordered = sorted(found.values(), key=lambda race: (race.polled, not race.loses_updates))
    by_place: dict[tuple[str, int], Race] = {}
    for race in ordered:
        by_place.setdefault((race.second.area, race.second.offset), race)
    return list(by_place.values())


def _by_core(trace: RawTrace, kinds: str = "rw") -> dict[str, list[TraceEntry]]:
    accesses: dict[str, list[TraceEntry]] = {}
    for entry in trace.entries:
        if entry.kind in kinds:
            accesses.setdefault(entry.core, []).append(entry)
    return accesses


def _taken_by_both(trace: RawTrace) -> Iterator[Site]:
    """Places that read bytes and write them at once, where both cores do so to the same value."""
    takers: dict[TraceEntry, set[Site]] = defaultdict(set)
    for core, entries in _by_core(trace, "rRwW").items():
        for read, write in pairwise(entries):
            if _same_bytes(read, write) and (read.kind, write.kind) == ("r", "w"):
                takers[read._replace(core="", pc=0)] |= {(core, read.pc), (core, write.pc)}
    for sites in takers.values():
        if len({core for core, _ in sites}) > 1:
            yield from sites


def _same_bytes(one: TraceEntry, two: TraceEntry) -> bool:
    return one[3:6] == two[3:6]


class _Turns:
    """What a value has its core do at a place that polls: the place reads it again, or it is the last one there.

    The same value counts as another one after an answer, a write to bytes that are polled.
    """

    def __init__(self, traces: Sequence[RawTrace], polls: set[Site]) -> None:
        self._polled = {
            (each.area, each.offset) for t in traces for each in t.entries if (each.core, each.pc) in polls
        }
        self._stays: set[tuple[TraceEntry, int]] = set()
        self._leaves: set[tuple[TraceEntry, int]] = set()
        self._overwritten: dict[tuple[TraceEntry, int], Site] = {}
        for trace in traces:
            for entries in _by_core(trace).values():
                self._follow(entries)

    def _follow(self, entries: list[TraceEntry]) -> None:
        answers, new = 0, 0
        first: set[int] = set()
        last: dict[tuple[int, str, int], tuple[int, tuple[TraceEntry, int]]] = {}
        for number, (entry, after) in enumerate(pairwise(entries)):
            if entry.pc not in first:
                first.add(entry.pc)
                new = number
            if entry.kind == "w":
                answers += (entry.area, entry.offset) in self._polled
                continue
            turn, site = (entry, answers), (entry.pc, entry.area, entry.offset)
            if site in last and last[site][1] == turn:
                self._stays.add(turn)
            last[site] = number, turn
            if _same_bytes(entry, after):
                if after.kind == "w":
                    self._overwritten[turn] = entry.core, after.pc
                last[site] = len(entries), turn
        new = len(entries) - 1 if entries[-1].pc not in first else new
        self._leaves |= {turn for number, turn in last.values() if number < new}

    def undecided(self) -> set[Site]:
        """Places that a value has read the same bytes again, and that the same value has let the core go on from."""
        return {(entry.core, entry.pc) for entry, _ in self._stays & self._leaves}

    def overwriting(self) -> set[Site]:
        """Places that read a value again and again and then write over it."""
        found = [(turn[0], write) for turn, write in self._overwritten.items() if turn in self._stays]
        return {(entry.core, entry.pc) for entry, _ in found} | {write for _, write in found}


def _changing(trace: RawTrace, polls: set[Site]) -> Iterator[Site]:
    """Places that read bytes and places that write them soon after: a change that is not one access."""
    for core, entries in _by_core(trace).items():
        read: dict[tuple[str, int, int], int] = {}
        for entry in entries:
            bytes_of = entry[3:6]
            if entry.kind == "r":
                read[bytes_of] = entry.pc
            elif bytes_of in read:
                at = read.pop(bytes_of)
                if (core, at) not in polls and 0 < entry.pc - at <= MAX_CHANGE:
                    yield core, at
                    yield core, entry.pc


def _repeating(traces: Sequence[RawTrace], walking: set[Site]) -> set[Site]:
    """Places that read the same value of the same bytes again, with nothing of their own core in between that answers.

    An answer is a write to the same bytes, or to others that the core waits for; where a place reads other bytes too,
    as of a ring of messages, any write.
    """
    strictly = {each for trace in traces for each in _again(trace, walking, None)}
    waits = {(core, each.area, each.offset) for core, each in strictly}
    return {(core, each.pc) for trace in traces for core, each in _again(trace, walking, waits)}


def _again(
    trace: RawTrace, walking: set[Site], waits: set[tuple[str, str, int]] | None
) -> Iterator[tuple[str, TraceEntry]]:
    for core, entries in _by_core(trace).items():
        seen: dict[tuple[int, str, int], tuple[TraceEntry, int, int, int]] = {}
        own: Counter[tuple[str, int]] = Counter()
        answers = writes = 0
        for entry in entries:
            at = entry.area, entry.offset
            if entry.kind == "w":
                own[at] += 1
                writes += 1
                answers += waits is None or (core, *at) in waits
                continue
            turn = entry, own[at], answers, writes if (core, entry.pc) in walking else 0
            if seen.get((entry.pc, *at)) == turn:
                yield core, entry
            seen[entry.pc, *at] = turn


def _before_polls(trace: RawTrace, polls: set[Site]) -> Iterator[Site]:
    """Places that read what a polling place reads next: the first look, which compilers put before the loop."""
    for core, entries in _by_core(trace).items():
        last: dict[tuple[str, int, int], TraceEntry] = {}
        for entry in entries:
            before = last.get(entry[3:6])
            if before and before.kind == entry.kind == "r" and (core, entry.pc) in polls:
                yield core, before.pc
            last[entry[3:6]] = entry


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


def _races(trace: RawTrace, sites: _Sites) -> Iterator[Race]:
    clocks: dict[str, Clock] = {}
    sent: dict[tuple[str, object], Clock] = {}
    writes: dict[tuple[str, int], _Access] = {}
    reads: dict[tuple[str, int], dict[str, _Access]] = {}
    for entry in trace.entries:
        clock = clocks.setdefault(entry.core, {entry.core: 1})
        if entry.kind not in "rRwW":
            clocks[entry.core] = _received(entry, clock, sent)
            continue
        site = entry.core, entry.pc
        polled = entry.kind == "r" and site in sites.polls
        ordered = entry.kind in "RW" or (polled and site not in sites.undecided)
        places = [(entry.area, entry.offset + byte) for byte in range(entry.size)]
        for place in places if not ordered else ():
            others = [writes[place]] if place in writes else []
            if entry.kind == "w":
                others += reads.get(place, {}).values()
            for other in others:
                if other.entry.core != entry.core and other.own > clock.get(other.entry.core, 0):
                    by_poll = polled or (other.entry.core, other.entry.pc) in sites.polls
                    yield Race(other.entry, entry, _loses(other.entry, entry, sites.changes), by_poll)
        if polled or entry.kind in "RW":
            for place in places:
                written = writes.get(place)
                # A core that knows of this time of the writer knows all that the writer knew then.
                if written and written.clock[written.entry.core] > clock.get(written.entry.core, 0):
                    clock = _joined(clock, written.clock)
        access = _Access(entry, clock[entry.core], clock)
        if entry.kind == "r" and not ordered:
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
