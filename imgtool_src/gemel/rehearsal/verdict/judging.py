"""From a raw run to a rehearsal: names for addresses, words for events, findings."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.inspection.inspection import Inspection
from gemel.rehearsal.kinds import ERRORS, FATAL, GAVE_UP_BY, UNJUDGED, WARNINGS
from gemel.rehearsal.plan import CorePlan, DevicePlan
from gemel.rehearsal.raw_run import RawCore, RawEvent, RawRun
from gemel.rehearsal.result import (
    CoreSummary,
    GoalResult,
    Happening,
    Place,
    RamUse,
    RegisterUse,
    Rehearsal,
    RehearsalFinding,
)
from gemel.rehearsal.verdict.causes import causes_first
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.described import unused_ticks, values_by_core
from gemel.rehearsal.verdict.endings import ending_findings
from gemel.rehearsal.verdict.loop_words import gave_up, given_up
from gemel.rehearsal.verdict.program_ends import overruns, stack_uses, stopped
from gemel.rehearsal.verdict.release_findings import release_findings, unreached_goals
from gemel.rehearsal.verdict.timeline import timeline_text
from gemel.rehearsal.verdict.wording import words_for
from gemel.rehearsal.verdict.words import finding_of
from gemel.spans import format_address
from gemel.structs import replace
from gemel.text.wrapping import first_of

ENDINGS = {
    "goals": "every goal was reached",
    "asleep": "every core sleeps, and nothing that is modelled will wake one",
    "same state": "the whole device is in a state that it was in before: nothing will change any more",
    "budget": "the budget of instructions ended",
    "finding": "a core could not go on",
    "started": "the budget of instructions ended, with every core idle or open to interrupts",
}
"""Why a run ended, in words."""


def rehearsal_of(inspection: Inspection, plan: DevicePlan, run: RawRun, names: CodeNames) -> Rehearsal:
    """What ``run`` says of the image."""
    beyond = _beyond_goals(plan, run)
    findings = [*_findings(run, names, beyond), *overruns(run, names), *release_findings(plan, run, names)]
    findings += ending_findings(plan, run, names)
    if not any(finding.severity == "error" for finding in findings):
        findings += unreached_goals(plan, run, names)
    findings.sort(key=lambda finding: (finding.time, finding.kind, finding.core))
    findings = causes_first(findings, plan, run)
    findings = [_with_given_up(finding, run, names) for finding in findings]
    by_core = values_by_core(plan, run, names)
    findings = [_with_values_by_core(finding, by_core, findings) for finding in findings]
    started = run.ended == "budget" and not plan.goals and not findings
    return Rehearsal(
        product=inspection.layout.product,
        budget=plan.budget,
        ended=ENDINGS.get("started" if started else run.ended, run.ended),
        time=run.time,
        executed=run.executed,
        findings=tuple(findings),
        events=tuple(_happening(event, names) for event in run.events),
        cores=tuple(_core(inspection, plan, core, names) for core in run.cores),
        texts=run.texts,
        goals=tuple(
            GoalResult(goal.core, goal.label, reached)
            for goal, reached in zip(plan.goals, run.goals, strict=True)
        ),
        registers=tuple(
            RegisterUse(
                each.core,
                each.address,
                format_address(each.address),
                each.reads,
                each.writes,
                each.last_value,
                each.known,
                names.function(each.core, each.first_pc),
            )
            for each in run.accesses
        ),
        notes=(
            *plan.notes,
            *run.notes,
            *(f"after the last goal, {timeline_text(each, names)}" for each in beyond),
            *_undescribed(run, names),
            *(f"{each.name}: {why}" for each in run.cores if (why := unused_ticks(each, run))),
            *(() if findings else filter(None, (stopped(each, names) for each in run.cores))),
            *names.notes,
        ),
        shared_memory={area: bytes.fromhex(digits) for area, digits in run.shared.items()},
    )


def ended_outside(inspection: Inspection, plan: DevicePlan, how: str) -> Rehearsal:
    """A rehearsal whose process ended without a result."""
    what = "the process with the emulator ended without a result"
    hint = "nothing is known of the image; report the fault with the image if you can"
    finding = RehearsalFinding("emulator-ended", "error", "", 0, 1, what, how, "a result", hint, None)
    goals = tuple(GoalResult(goal.core, goal.label, False) for goal in plan.goals)
    return Rehearsal(
        inspection.layout.product, plan.budget, what, 0, 0, (finding,), (), (), {}, goals, (), plan.notes, {}
    )


def _beyond_goals(plan: DevicePlan, run: RawRun) -> list[RawEvent]:
    """Where a core left what is followed once all goals were reached, which was all that the rehearsal was asked."""
    reached = sorted(event.time for event in run.events if event.kind == "goal")
    if not plan.goals or len(reached) < len(plan.goals):
        return []
    return [each for each in run.events if each.kind == "leaves-secure-state" and each.time > reached[-1]]


def _findings(run: RawRun, names: CodeNames, beyond: list[RawEvent]) -> Iterator[RehearsalFinding]:
    for event in run.events:
        if event in beyond:
            continue
        if "started_again" in event.numbers:
            words = words_for(event, names)
            words = words._replace(found=f"{words.found}; core {event.core} is reset and started again")
            yield finding_of(event, words, names, event.kind, "warning")
            continue
        if "recovered" in event.numbers:
            continue
        if event.kind in ERRORS or event.kind in UNJUDGED:
            yield finding_of(event, words_for(event, names), names, event.kind, "error")
        elif event.kind in WARNINGS:
            yield finding_of(event, words_for(event, names), names, event.kind, "warning")


def _with_given_up(finding: RehearsalFinding, run: RawRun, names: CodeNames) -> RehearsalFinding:
    """The finding of a core that ended itself has the wait that it gave up before."""
    wait = given_up(run, finding.core) if finding.kind in GAVE_UP_BY else None
    if wait is None:
        return finding
    found = "; ".join(filter(None, (finding.found, gave_up(wait, names))))
    return replace(finding, found=found, next_step=wait.lines)


def _with_values_by_core(
    finding: RehearsalFinding, by_core: list[str], findings: list[RehearsalFinding]
) -> RehearsalFinding:
    """The first error proposes the registers that may say which core reads them; so do warnings about those."""
    first = next((each for each in findings if each.severity == "error"), None)
    if finding.kind == "register-of-both-cores":
        by_core = [each for each in by_core if finding.found in each]
    elif finding is not first or finding.kind in FATAL:
        return finding
    return replace(
        finding,
        next_step="\n".join((*by_core, f"else {finding.next_step}")) if by_core else finding.next_step,
    )


def _happening(event: RawEvent, names: CodeNames) -> Happening:
    place = names.place(event.core, event.pc) if event.pc is not None else None
    text = timeline_text(event, names)
    return Happening(event.time, event.core, event.kind, text, place, event.numbers, event.words)


def stack_room(core: RawCore, planned: CorePlan) -> int | None:
    """Bytes of the main stack; None where nothing shows its end, or what was no vector table gave its start."""
    top, limit = core.stack_top, planned.stack_limit
    if top is None or limit is None or core.stack_lowest is None:
        return None
    inside = any(each.span.holds(limit) and limit <= top <= each.span.end for each in planned.windows)
    return top - limit if inside else None


def _core(inspection: Inspection, plan: DevicePlan, core: RawCore, names: CodeNames) -> CoreSummary:
    planned = next(each for each in plan.cores if each.name == core.name)
    sizes = {area: size for area, _, _, size in planned.own_ram}
    top, room = core.stack_top, stack_room(core, planned)
    used = top - core.stack_lowest if room is not None and top and core.stack_lowest else None
    place: Place | None = names.place(core.name, core.pc) if core.state != "reset" else None
    return CoreSummary(
        core.name,
        inspection.layout.cores[core.name].role,
        core.state,
        core.instructions,
        place,
        top,
        used,
        room,
        tuple(stack_uses(core, names)),
        tuple(RamUse(area, touched, sizes[area]) for area, touched in core.ram_touched.items()),
        tuple(sorted(names.functions(core.name, core.blocks))),
        names.function_count(core.name),
    )


def _undescribed(run: RawRun, names: CodeNames) -> Iterator[str]:
    """The registers that code used and the layout does not describe."""
    if unknown := sorted({each.address for each in run.accesses if not each.known and each.reads}):
        shown = first_of([names.register(each) for each in unknown], 8)
        yield f"read as zero, since the layout does not describe them: {shown}"
