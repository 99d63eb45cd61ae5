"""Several orders of the cores' instructions judged together: the worst of them, and the races that explain it."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.raw_run import RawRun, TraceEntry
from gemel.rehearsal.result import Rehearsal, RehearsalFinding, RehearsalSeverity
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.races import Race, Site, races_of
from gemel.structs import replace

WORST_FIRST = {"fails": 0, "no verdict": 1}
"""The rank of an outcome; all others are the best."""

MAX_RACES = 8
"""Races that one result shows."""


WFI = 2
"""Bytes of the instruction."""


def slept_for_others(plan: DevicePlan, runs: Sequence[RawRun]) -> list[Site]:
    """The places of WFI where a core slept until another one interrupted it: that may come right before, too."""
    found: dict[Site, None] = {}
    for run in runs:
        at: dict[str, int] = {}
        for event in run.events:
            if event.kind == "sleeps" and event.pc is not None:
                at[event.core] = event.pc - WFI
            elif event.kind == "woken" and event.core in at:
                by_other = event.numbers["number"] in plan.lines_between(event.core)
                found.update({(event.core, at[event.core]): None} if by_other else {})
    return list(found)


def sleeps_for_good(run: RawRun, place: Site) -> bool:
    """Whether a core sleeps at the end at ``place``, with nothing pending that is masked."""
    return any(
        (core.state, core.name, core.pc) == ("sleeping", *place) and not core.held_off for core in run.cores
    )


def worst_of(
    orders: Sequence[tuple[Rehearsal, RawRun | None]],
    names: CodeNames,
    slept: Sequence[Site] = (),
    other_moments: Collection[int] = (),
) -> Rehearsal:
    """The first order with the worst verdict; with the races where orders differ or updates can be lost.

    One that fails is worse than one without a verdict, which is worse than one that passes.  A race is an error where
    an order fails that another one passes, or where a change can be lost; where no more than the texts differ it is a
    warning.  ``slept`` are the places of WFI at which an order had interrupts come first.  The orders ``other_moments``
    are those in which ticks and events of devices come earlier: what differs there needs no race of the cores.
    """
    results = [result for result, _ in orders]
    own = [number for number in range(len(orders)) if number not in other_moments]
    chosen = min(range(len(results)), key=lambda number: WORST_FIRST.get(results[number].outcome, 2))
    verdicts = {results[number].passes for number in own}
    texts = [number for number in own if results[number].texts != results[0].texts]
    differ = len(verdicts) > 1 or (results[chosen].passes and bool(texts))
    races = races_of([run for _, run in map(orders.__getitem__, own) if run is not None])
    shown = [race for race in races if not race.polled and (differ or race.loses_updates)]
    shown = shown or [race for race in races if differ]
    severity: RehearsalSeverity = "error" if len(verdicts) > 1 else "warning"
    findings = [_finding(race, names, severity) for race in shown[:MAX_RACES]]
    if results[0].passes and not results[chosen].passes:
        findings += _lost_wake_ups(orders[chosen][1], names, slept)
    result = results[chosen]
    notes = [f"{len(orders)} orders of the cores' instructions were tried"]
    if chosen:
        usual = "nothing" if results[0].passes else "no verdict"
        moments = ", in which ticks and events of devices come earlier" if chosen in other_moments else ""
        notes.append(f"found in order {chosen}{moments}; the usual order has {usual}")
    elif texts:
        notes.append(f"text differs in order {texts[0]}")
    if len(shown) > MAX_RACES:
        notes.append(f"{len(shown) - MAX_RACES} more races are not shown")
    if any(run is not None and run.trace is not None and run.trace.cut for _, run in orders):
        notes.append("only the first accesses to shared areas were looked at for races")
    found = sorted((*result.findings, *findings), key=lambda each: (each.time, each.kind, each.core))
    return replace(result, findings=tuple(found), notes=(*result.notes, *notes))


def _finding(race: Race, names: CodeNames, severity: RehearsalSeverity) -> RehearsalFinding:
    first, second = race.first, race.second
    address = names.shared_address(second.area, second.offset)
    if race.loses_updates:
        what = f"cores {first.core} and {second.core} change the same shared bytes, and a change can be lost"
        hint = "change them under a lock or by exclusive accesses, or let one core alone write them"
        severity = "error"
    else:
        what = f"what core {second.core} and core {first.core} do to the same shared bytes has no order"
        hint = "write before the release, or signal by a flag that the other core waits for before it goes on"
    found = f"{address}: {_side(first, names)}; {_side(second, names)}"
    expected = "a release, interrupt, lock or flag between the two accesses"
    place = names.place(second.core, second.pc, source=True)
    return RehearsalFinding("race", severity, second.core, 0, 1, what, found, expected, hint, place)


def _lost_wake_ups(run: RawRun | None, names: CodeNames, slept: Sequence[Site]) -> Iterator[RehearsalFinding]:
    """Cores that sleep for good at a WFI where the usual order wakes them."""
    if run is not None:
        for place in (each for each in slept if sleeps_for_good(run, each)):
            yield RehearsalFinding(
                "race",
                "error",
                place[0],
                0,
                1,
                f"core {place[0]} sleeps for ever where an interrupt comes between its test and WFI",
                "the handler has run before WFI, and nothing else comes",
                "interrupts that are masked from the test on: one that is pending ends WFI all the same",
                "mask interrupts before the test (CPSID i), and let them be taken after WFI (CPSIE i)",
                names.place(*place, source=True),
            )


def _side(entry: TraceEntry, names: CodeNames) -> str:
    verb = "writes" if entry.kind in "wW" else "reads"
    place = names.place(entry.core, entry.pc, source=True)
    return f"{entry.core} {verb} 0x{entry.value:X} ({entry.size} bytes) in {place}"
