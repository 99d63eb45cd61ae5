"""How each core ended, where that is not where it should: hangs, and states that nothing can wake."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from gemel.m_profile.vector_tables import word_name
from gemel.rehearsal.emulator.system_space.interrupts import SWITCHING
from gemel.rehearsal.emulator.system_space.tick_timer import ENABLE
from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.proposals import as_ready, proposal
from gemel.rehearsal.raw_run import MAX_EVENTS, GivenUp, RawCore, RawEvent, RawRun
from gemel.rehearsal.result import RehearsalFinding
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.described import interrupts_that_do_not_come, or_else, raised_by, what_changes
from gemel.rehearsal.verdict.loop_words import (
    endless_loop,
    for_each_other,
    given_up,
    goal_to_add,
    held_off_by,
    polls_other,
    raised_by_others,
    reads,
    recurs,
    takes_often,
)
from gemel.rehearsal.verdict.program_ends import ended_tasks
from gemel.rehearsal.verdict.wording import words_for
from gemel.rehearsal.verdict.words import (
    ALIGN_TABLE,
    Words,
    at_end,
    error_about,
    left_by_branch,
    table_misplaced,
)
from gemel.spans import format_address
from gemel.text.escaping import on_one_line

SHARED_BY = 3
"""Vectors with one handler from which on it is a default one; a product's own may serve two interrupts."""

LONG = 1_000_000
"""Instructions in one handler after which a core is taken to stay there, or without an interrupt to take none."""


def ending_findings(plan: DevicePlan, run: RawRun, names: CodeNames) -> list[RehearsalFinding]:
    """What keeps cores from going on; none of a core that waits for what one with a finding would write."""
    if run.ended not in ("asleep", "same state", "budget"):
        return []
    released = _released(plan, run) | {event.core for event in run.events if "work" in event.numbers}
    loops = {
        event.core: event for event in run.events if event.kind == "loops" and event.core not in released
    }
    again = {event.core: event for event in run.events if recurs(event) and event.core in loops}
    causes = [error_about(event, words_for(event, names), names, event.kind) for event in again.values()]
    stays = {
        finding.core: finding for finding in _handlers(plan, run, names, loops) if finding.core not in again
    }
    causes += [
        finding for core, finding in stays.items() if core not in loops or not polls_other(loops[core])
    ]
    stuck = {core for core, event in loops.items() if not polls_other(event)} | _stopped(run)
    causes += _sleepers(plan, run, names, stuck)
    causes += [
        finding
        for finding in ended_tasks(run, names)
        if finding.core not in loops or loops[finding.core].numbers["interrupts"]
    ]
    named = {finding.core for finding in causes} | _stopped(run)
    unfinished = _unfinished(plan, run)
    in_vain = {
        core
        for core in unfinished & set(loops)
        if run.ended == "same state" and "ticks" in loops[core].numbers
    }
    # Their goals, which are not reached, say so.
    asleep = {core.name for core in run.cores if core.state == "sleeping"} & unfinished
    # Those that wait for nobody first: who waits for one of them is not to blame.
    for core, event in sorted(loops.items(), key=lambda each: polls_other(each[1])):
        polls = polls_other(event)
        waits = {"register", "lacking"} & event.numbers.keys() and (
            (run.ended == "budget" and core in unfinished) or "only" in event.numbers
        )
        counts = "counts" in event.numbers and not (waits or "bits" in event.numbers)
        goes_on = event.numbers["interrupts"] and not (core in in_vain or waits or counts or core in stays)
        if goes_on and not polls:
            asleep |= {core} & unfinished
        if core in named or goes_on:
            continue
        may_come = run.ended == "budget" and (plan.goals or core not in stays)
        if polls and (may_come or ((named | asleep) - {core} and "register" not in event.numbers)):
            continue  # the other core may write it yet, or has a finding itself
        if core in stays:
            causes.append(stays[core])
        else:
            ticks = core in in_vain and not polls
            causes.append(_of_loop(plan, run, names, event, waits=bool(waits), ticks=ticks, counts=counts))
        if not polls:
            named.add(core)
    if not plan.goals and run.ended == "budget":
        causes += _busy(plan, run, names, named | {each.core for each in causes}, released, loops)
    return for_each_other(causes, loops) if len(plan.cores) == 2 else causes


def _of_loop(
    plan: DevicePlan,
    run: RawRun,
    names: CodeNames,
    event: RawEvent,
    *,
    waits: bool,
    ticks: bool,
    counts: bool,
) -> RehearsalFinding:
    """What a core in a loop waits for: a register, a core that stays in reset, a wake-up, or what nothing changes."""
    wait, register = given_up(run, event.core), event.numbers.get("register")
    waited_before = wait is not None and wait.register != register
    if (register is not None and not waited_before) or _lacks_bits(plan, run, event, waits):
        return _waits_for_register(plan, event, names, wait)
    if polls_other(event) and (kept := unreleasable(plan, event.core)):
        return _waits_for_kept(run, event, kept, names)
    raw = next(each for each in run.cores if each.name == event.core)
    by_memory = {"memory", "described", "own"} & event.numbers.keys()
    if "waits" in event.words and not (ticks or by_memory):
        return error_about(event, _sleeps_for_ever(plan, run, raw, names, event), names, "no-wake-up-source")
    return endless_loop(plan, run, raw, event, names, ticks=ticks, counts=counts)


def _lacks_bits(plan: DevicePlan, run: RawRun, event: RawEvent, waits: bool) -> bool:
    """Whether a described register lacks bits: it is known that code ``waits`` for them, or goes on with them."""
    tried = run.ended == "same state" and "goes_on" in event.numbers
    ready = as_ready(plan.registers, event.numbers.get("described", 0), event.numbers)
    return "lacking" in event.numbers and (waits or (tried and ready is None))


def _unfinished(plan: DevicePlan, run: RawRun) -> set[str]:
    """Cores with goals that were not reached."""
    return {goal.core for goal, reached in zip(plan.goals, run.goals, strict=True) if not reached}


def _stopped(run: RawRun) -> set[str]:
    """Cores that cannot go on, and say so by a finding of their own."""
    return {core.name for core in run.cores if core.state in ("stopped", "locked up") or core.fault}


def _handlers(
    plan: DevicePlan, run: RawRun, names: CodeNames, loops: Mapping[str, RawEvent]
) -> Iterator[RehearsalFinding]:
    for core in run.cores:
        sure = run.ended != "budget" or core.name in loops
        stays = [each for each in core.handlers if sure or run.time - each[1] >= LONG]
        if not stays or core.fault or core.state in ("stopped", "locked up", "reset"):
            continue
        exception, since, vector, same = stays[-1]
        others = same if same >= SHARED_BY else 0
        left = left_by_branch(core.name, exception, vector, core.left, names) if core.left else ""
        by_branch = left and exception == core.handlers[-1][0]
        in_vain = any((each.core, each.kind) == (core.name, "sleeps-on") for each in run.events)
        known = names.handler_name(core.name, vector & ~1, exception)
        if _idles_in(core, stays, run) and not (others or in_vain or (by_branch and known)):
            continue
        inside = (
            names.handler_name(core.name, core.pc, exception) if exception == core.handlers[-1][0] else ""
        )
        function = known or inside or "a handler"
        place = f", in {inside}" if inside not in ("", function) else ""
        shared, hint = "", f"see what {inside or 'the handler'} waits for, or do not enable the interrupt"
        if others and not place:  # one that calls on has code of its own
            shared = f", since no handler of its own is linked ({others} vectors share this one)"
            hint = f"link a handler for it, {hint}"
        if others and (moved := _table_moved(run, core)):
            shared, hint = f": {table_misplaced(moved['value'], moved['written'])}", ALIGN_TABLE
        loop = loops.get(core.name)
        waits = f"; {reads(loop, names)} again and again" if loop and polls_other(loop) else ""
        named = f"{word_name(exception)}{raised_by(plan, core.name, exception, names)}"
        if by_branch:
            yield at_end(core, run, _left(core, since, named, left, names), names, "stays-in-handler")
            continue
        words = Words(
            f"core {core.name} stays in {function} for {named}{place}{shared}",
            f"entered at instruction {since:,}, and it does not return{waits}{last_line(run, core.name, since)}"
            f"{held_off_by(core, exception)}",
            "a handler that serves its exception and returns",
            hint,
        )
        yield at_end(core, run, words, names, "stays-in-handler")


def last_line(run: RawRun, core: str, since: int = 0) -> str:
    """When a core sent its last line of text, not before instruction ``since``, where all of them were kept."""
    sent = [each for each in run.events if each.kind == "text" and each.core == core and each.time >= since]
    if not sent or len(run.events) >= MAX_EVENTS:
        return ""
    line, time = on_one_line(sent[-1].words["line"][:40]), sent[-1].time
    return f'; it sent its last line, "{line}", at instruction {time:,}'


def _left(core: RawCore, since: int, named: str, left: str, names: CodeNames) -> Words:
    """Of a core that has left a handler, and stays in handler mode."""
    inside = names.function_name(core.name, core.pc)
    return Words(
        f"core {core.name} never returned from {named}",
        f"entered at instruction {since:,}; {left}, so that the core executes {inside or 'what it went to'} in "
        f"handler mode{held_off_by(core)}",
        "a handler that ends by a branch to the link value with which it began (EXC_RETURN)",
        "see what the handler does with the link register and the stack pointer before that branch",
    )


def _table_moved(run: RawRun, core: RawCore) -> dict[str, int]:
    """Where the core's vector table is, and what was ``written``, if that lost bits; empty if it did not."""
    moves = [
        each.numbers for each in run.events if (each.core, each.kind) == (core.name, "vector-table-moved")
    ]
    return moves[-1] if moves and "written" in moves[-1] else {}


def _idles_in(core: RawCore, stays: Sequence[tuple[int, ...]], run: RawRun) -> bool:
    """Whether a core idles in the handler that switches its tasks: it sleeps there, and is woken, or looks for a task.

    Where no task is ready, some kernels wait in PendSV or a supervisor call for interrupts that preempt it.
    """
    exception, since, *_ = stays[-1]
    wakes = core.ticks or bool(core.could_wake) or core.state != "sleeping"
    looks = any(
        each.numbers.get("interrupts") and "memory" in each.numbers and "counts" not in each.numbers
        for each in run.events
        if each.core == core.name and each.kind in ("polls", "loops")
    )
    return exception in SWITCHING and (core.slept_at > since or looks) and wakes


def _sleepers(plan: DevicePlan, run: RawRun, names: CodeNames, stuck: set[str]) -> Iterator[RehearsalFinding]:
    """Cores that sleep for good, unless one of the ``stuck`` cores, which have findings, could wake them."""
    can_wake = wakeable(plan, run)
    unreached = _unfinished(plan, run)
    for core in run.cores:
        if core.state != "sleeping" or core.name in can_wake or core.handlers:
            continue
        if any(
            plan.lines_between(core.name).get(number) in stuck - {core.name} for number in core.could_wake
        ):
            continue
        if run.ended == "budget" and (core.could_wake or core.ticks):
            continue  # the other core may send it yet
        if plan.goals and not core.held_off and (run.ended == "asleep" or core.name not in unreached):
            continue  # a goal that it has not reached says so, or it has reached its goals
        yield at_end(core, run, _sleeps_for_ever(plan, run, core, names), names, "no-wake-up-source")


def _sleeps_for_ever(
    plan: DevicePlan, run: RawRun, core: RawCore, names: CodeNames, loop: RawEvent | None = None
) -> Words:
    """What to say of a core that nothing will wake; it sleeps by WFI, or in a ``loop`` by WFE."""
    senders = plan.lines_between(core.name)
    enabled, cause = "no interrupt enabled that can come", "enable what is to wake it before it sleeps"
    place = core.pc if loop is None or loop.pc is None else loop.pc
    instruction = f"{'WFE' if loop else 'WFI'} at {format_address(place)}"
    if loop:
        cause += ", or let the other core send an event (SEV)"
    if loop and "masked" in loop.numbers:
        enabled = "interrupts enabled and masked by PRIMASK, which do not end it (SCR.SEVONPEND is clear)"
        cause = (
            "let interrupts be taken (CPSIE i), set bit 4 of SCR, or let the other core send an event (SEV)"
        )
    elif number := raised_by_others(plan, core):
        enabled = f"only what core {senders[number]} raises enabled: {word_name(number)}, which does not come"
        cause = f"see why core {senders[number]} does not raise {word_name(number)}"
    elif hint := interrupts_that_do_not_come(plan, run, core, names, core.held_off):
        cause = hint
    return Words(
        f"core {core.name} sleeps for ever: nothing that is enabled could wake it",
        f"{instruction} with {enabled}{held_off_by(core)}",
        "an idle state that an interrupt can end",
        cause if plan.goals else or_else(cause, "state in a goal what it has to reach"),
    )


def wakeable(plan: DevicePlan, run: RawRun) -> set[str]:
    """The cores that something from outside, their own timer, or a core that can be woken, could wake."""
    between = {core.name: plan.lines_between(core.name) for core in plan.cores}
    found: set[str] = set()
    while True:
        more = {
            core.name
            for core in run.cores
            if core.ticks or any(between[core.name].get(n, "") in {"", *found} for n in core.could_wake)
        }
        if more <= found:
            return found
        found |= more


def _waits_for_register(
    plan: DevicePlan, event: RawEvent, names: CodeNames, wait: GivenUp | None
) -> RehearsalFinding:
    numbers = event.numbers
    register, bits = numbers.get("register", numbers.get("described", 0)), numbers.get("bits")
    lacking, described = numbers.get("lacking", bits or 0), "register" not in numbers
    add = proposal(plan.registers, register, lacking)
    note = "then it goes on" if "goes_on" in numbers else "with the bits it waits for"
    lines = event.words.get("lines") or (wait.lines if wait else "")
    what = f"bits 0x{lacking:X} of register" if described else "register"
    words = Words(
        f"core {event.core} waits for {what} {names.register(register)}, which the layout does not describe",
        f"of it the layout says: {what_changes(plan.registers, register, names) or 'it reads what code writes'}"
        if described
        else "it reads zero for ever",
        "a register that reads what the code waits for",
        lines or f"{add.words} {f'({note})' if add.replaces else f'# {note}'}",
    )
    return error_about(event, words, names, "waits-for-register")


def unreleasable(plan: DevicePlan, but: str) -> str:
    """The first secondary other than ``but`` of which the layout does not say how it is released; empty if none."""
    kept = (
        each.name for each in plan.cores if not each.primary and each.release is None and each.name != but
    )
    return next(kept, "")


def describe_release(run: RawRun, core: str) -> str:
    """What to add to the layout so that ``core`` is released."""
    default = f"add [core.{core}.release] to the layout: its registers, mask and value (gemel explain layout)"
    return dict(run.offers).get(core, default)


def _waits_for_kept(run: RawRun, event: RawEvent, kept: str, names: CodeNames) -> RehearsalFinding:
    words = Words(
        f"core {event.core} waits, and the layout does not say how core {kept} is released",
        f"{reads(event, names)}; core {kept} stays in reset",
        f"[core.{kept}.release] in the layout",
        describe_release(run, kept),
    )
    return error_about(event, words, names, "endless-loop")


def masked_for_long(core: RawCore, run: RawRun) -> str:
    """As ``held_off_by``, where the core has neither taken an interrupt nor slept for long."""
    return held_off_by(core) if run.time - max(core.interrupted_at or 0, core.slept_at) >= LONG else ""


def _polls_timer(core: RawCore) -> bool:
    """Whether it reads its own tick timer, which runs."""
    return bool(core.tick[0] & ENABLE and core.tick[2])


def _released(plan: DevicePlan, run: RawRun) -> set[str]:
    """Cores that are released from their wait again and again, unless nothing but each other does so."""
    by_timer = any(core.released and _polls_timer(core) for core in run.cores)
    return {core.name for core in run.cores if core.released and (by_timer or wakeable(plan, run))}


def _busy(
    plan: DevicePlan,
    run: RawRun,
    names: CodeNames,
    named: set[str],
    released: set[str],
    loops: dict[str, RawEvent],
) -> Iterator[RehearsalFinding]:
    """Without goals: cores that were still at work, with nothing that could end what they do, or was let in."""
    goes_on = wakeable(plan, run) | released
    for core in run.cores:
        if core.interrupted_at is not None and run.time - core.interrupted_at < LONG:
            continue  # what masks interrupts now, or the handler that runs, has done so for a moment only
        masked = masked_for_long(core, run)
        if core.state in ("running", "waiting") and core.name not in (named if masked else named | goes_on):
            found = f"{core.instructions:,} instructions executed{masked}{takes_often(run, core)}"
            loop = loops.get(core.name)
            if loop and polls_other(loop) and named - {core.name}:
                continue
            if loop and "memory" in loop.numbers:
                found += f"; {reads(loop, names)} again and again"
            ends = "is still busy when the budget ends"
            if masked:
                ends += ", and takes no interrupt"
            elif loop and polls_other(loop):
                ends = "still waits for another core when the budget ends"
            elif not _polls_timer(core):
                ends += ", and no interrupt is enabled"
            words = Words(
                f"core {core.name} {ends}",
                found,
                "an idle state that an interrupt can end, or a wait that is ended again and again",
                f"allow more instructions (--budget), or state in a goal what it has to reach:{goal_to_add(core)}",
            )
            yield at_end(core, run, words, names, "no-idle-state")
