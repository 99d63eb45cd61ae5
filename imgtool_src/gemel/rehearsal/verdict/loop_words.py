"""Words for a core in an endless loop: what it reads there, and what would end it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from gemel.m_profile.vector_tables import word_name
from gemel.rehearsal.emulator.system_space.registers import (
    TICK_CONTROL,
    TICK_CURRENT,
    TICK_RELOAD,
)
from gemel.rehearsal.emulator.system_space.tick_timer import ENABLE
from gemel.rehearsal.emulator.system_space.units import CYCLE_COUNT
from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.proposals import as_ready
from gemel.rehearsal.raw_run import GivenUp, RawCore, RawEvent, RawRun
from gemel.rehearsal.result import RehearsalFinding
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.described import (
    bits_not_kept,
    interrupts_that_do_not_come,
    masked_by,
    or_else,
    read_as_zero,
    what_changes,
    why_no_cycles,
    why_no_ticks,
)
from gemel.rehearsal.verdict.program_ends import CORRECT, NEAR_LOOP, program_end, waiting_tasks
from gemel.rehearsal.verdict.words import SOON, Words, error_about
from gemel.spans import format_address
from gemel.structs import replace

WRITTEN_BY = "see what should have written it"


TICK_REGISTERS = (TICK_CONTROL, TICK_RELOAD, TICK_CURRENT)


MIN_TIMES = 16
"""Times that one fault is handled at one place, in a device that no longer changes, to be why it does not go on."""


LITTLE = 100
"""Instructions for each exception up to which a core does little else than take it."""


def polls_other(event: RawEvent) -> bool:
    """Whether a loop reads memory that is not its core's own: it waits for another core."""
    return "other" in event.numbers


def raised_by_others(plan: DevicePlan, core: RawCore) -> int:
    """The first exception that could wake a core and that another core raises; 0 if there is none."""
    senders = plan.lines_between(core.name)
    return next((each for each in core.could_wake if senders.get(each)), 0)


def endless_loop(
    plan: DevicePlan,
    run: RawRun,
    core: RawCore,
    event: RawEvent,
    names: CodeNames,
    *,
    ticks: bool,
    counts: bool,
) -> RehearsalFinding:
    """The finding of a loop that nothing ends; ``ticks`` come and change nothing, or only ``counts`` change."""
    held_off = core.held_off
    event = event if event.calls else replace(event, calls=_calls_there(core, event, names))
    found, hint = _read_in_loop(plan, run, core, event, names, ticks=ticks)
    if held_off and hint != CORRECT:
        found += held_off_by(core)
        let = hint.removeprefix("let the core sleep there (WFI), or ")
        hint = f"let {word_name(held_off)} be taken, or {let}" if let.startswith(("see", "correct")) else hint
    if counts and not ticks:
        found += "; its tick interrupts only count"
    may_work = counts or hint == WRITTEN_BY or "counter" in event.numbers
    if not plan.goals and may_work and not given_up(run, core.name):
        hint = or_else(hint, f"state in a goal what it has to reach:{goal_to_add(core)}")
    again = "it" if run.ended == "budget" else "the whole device"
    words = Words(
        f"core {event.core} is in an endless loop: {again} is in the same state again",
        found,
        "sleep, or a wait for something that can come from outside",
        hint,
    )
    return error_about(event, words, names, "endless-loop")


def for_each_other(
    findings: Sequence[RehearsalFinding], loops: Mapping[str, RawEvent]
) -> list[RehearsalFinding]:
    """``findings``, with one for two cores that wait for each other in these ``loops``."""
    polling = {core for core, event in loops.items() if polls_other(event)}
    waiting = [each for each in findings if each.kind == "endless-loop" and each.core in polling]
    if len(waiting) != 2:
        return list(findings)
    first, second = waiting
    one, other = (f"core {each.core} {each.found.removeprefix('it ')}" for each in waiting)
    what = (
        f"core {first.core} and core {second.core} wait for each other{first.what[first.what.index(':') :]}"
    )
    expected = "one of them to write what the other one reads, before it waits itself"
    merged = replace(first, what=what, found=f"{one}; {other}, in {second.place}", expected=expected)
    return [merged if each is first else each for each in findings if each is not second]


def _calls_there(core: RawCore, event: RawEvent, names: CodeNames) -> tuple[int, ...]:
    """The calls that the stack shows of thread code in a loop, without those from its own function."""
    near = (each.calls for each in core.threads if abs(each.place - (event.pc or 0)) <= NEAR_LOOP)
    own = names.function_name(core.name, event.pc or 0)
    return tuple(each for each in next(near, ()) if names.function_name(core.name, each) != own)


def _read_in_loop(
    plan: DevicePlan, run: RawRun, core: RawCore, event: RawEvent, names: CodeNames, *, ticks: bool
) -> tuple[str, str]:
    """What a core reads in its loop, and what to do about it."""
    memory, register = event.numbers.get("memory"), event.numbers.get("described")
    if wait := given_up(run, core.name):
        return gave_up(wait, names), wait.lines
    if register is not None:
        return _of_register(plan, event, names, register)
    if ticks:
        found = "its tick interrupts come, and change nothing that it does"
        found = found if memory is None else f"{reads(event, names)}; {found}"
        tasks = waiting_tasks(core, names)
        return f"{found}; {tasks}" if tasks else found, "see what its tasks wait for"
    if memory is None and (own := event.numbers.get("own")):
        hint = "see what it waits for there"
        if own in TICK_REGISTERS and not (core.tick[0] & ENABLE and core.tick[1]):
            hint = why_no_ticks(core)
        elif own == CYCLE_COUNT:
            hint = why_no_cycles(next(each for each in plan.cores if each.name == core.name))
        return f"it reads {names.register(own)}", hint
    if memory is None:
        return _of_nothing(plan, run, core, event, names)
    if (number := raised_by_others(plan, core)) and not polls_other(event):
        sender = plan.lines_between(core.name)[number]
        found = f"{reads(event, names)}, with only what core {sender} raises enabled: "
        hint = f"see why core {sender} does not raise {word_name(number)}"
        hint = (
            hint if plan.goals else or_else(hint, f"state in a goal what it has to reach:{goal_to_add(core)}")
        )
        return f"{found}{word_name(number)}, which does not come", hint
    later = interrupts_that_do_not_come(plan, run, core, names, core.held_off)
    hint = _held_back(run, core, names) or "; ".join(filter(None, (WRITTEN_BY, later)))
    return f"{reads(event, names)}, which nobody changes", hint


def _of_register(plan: DevicePlan, event: RawEvent, names: CodeNames, register: int) -> tuple[str, str]:
    """Of a register that the layout describes."""
    bits = event.numbers.get("bits")
    leads_out = f" (0x{bits:X} there ends the loop)" if bits is not None else ""
    found = f"it reads register {names.register(register)}, which will not change any more{leads_out}"
    if ready := as_ready(plan.registers, register, event.numbers):
        return found, ready.words
    if says := what_changes(plan.registers, register, names):
        return found, f"make sure that code does what the layout says of it ({says}), or describe more"
    return found, "see what the layout says of this register, and what the other core does"


def _of_nothing(
    plan: DevicePlan, run: RawRun, core: RawCore, event: RawEvent, names: CodeNames
) -> tuple[str, str]:
    """Of a loop that reads nothing which could end it."""
    found = f"it {reads_nothing(event)}{takes_often(run, core)}"
    hint = "let the core sleep there (WFI), or correct what keeps it in the loop"
    places = [*event.calls, *(() if event.pc is None else (event.pc,))]
    if end := program_end(core.name, places, names):
        return f"{found}; it came there by {end}", CORRECT
    if lost := bits_not_kept(plan.registers, run, core.name, names):
        hint += f"; if code came there since it reads back something else, correct writable: {lost}"
    elif zeros := read_as_zero(run, core.name, names):
        hint += f"; if code came there since a register reads zero ({zeros}), describe that"
    if later := interrupts_that_do_not_come(plan, run, core, names, core.held_off):
        hint += f"; {later}"
    return found, hint


def given_up(run: RawRun, core: str) -> GivenUp | None:
    """The wait that a core gave up before it came to where it stays, if it is known what would have ended it."""
    return next((each for each in run.given_up if each.core == core), None)


def gave_up(wait: GivenUp, names: CodeNames) -> str:
    """What a core did before it came to where it stays."""
    register = names.register(wait.register)
    return f"before that it read {register}, which the layout does not describe, {wait.reads:,} times, and gave up"


def reads_nothing(event: RawEvent) -> str:
    """What a loop reads that nothing could end."""
    counters = " but its own counters" if "counter" in event.numbers else ""
    return f"reads neither a device register nor RAM{counters}"


def recurs(event: RawEvent) -> bool:
    """Whether a fault was handled over and over at one place: its handler returns to what faults again."""
    return "recovered" in event.numbers and event.numbers.get("times", 1) >= MIN_TIMES


def takes_often(run: RawRun, core: RawCore) -> str:
    """The exception that a core does little else than take."""
    taken = (
        (event.numbers.get("times", 1), event.numbers["number"])
        for event in run.events
        if event.core == core.name and event.kind == "exception-taken"
    )
    times, number = max(taken, default=(0, 0))
    if times < MIN_TIMES or times * LITTLE < core.instructions:
        return ""
    return f"; it takes {word_name(number)} again and again ({times:,} times)"


def _held_back(run: RawRun, core: RawCore, names: CodeNames) -> str:
    """What to do where another core, which was released, is in reset again when ``core`` waits for what it writes."""
    kept = {each.name for each in run.cores if each.state == "reset"} - {core.name}
    back = next(
        (
            each
            for each in reversed(run.events)
            if each.kind == "held-back-again" and each.words["of"] in kept
        ),
        None,
    )
    if back is None:
        return ""
    of, place = back.words["of"], names.place(back.core, back.pc) if back.pc is not None else "its end"
    return (
        f"let core {of} run: core {back.core} puts it back into reset at {place}; if it is the other way round, "
        f"correct release_mask and release_value in [core.{of}.release]"
    )


def held_off_by(core: RawCore, but: int = 0) -> str:
    """The most urgent exception that is pending and cannot be taken, unless it is ``but``."""
    number = core.held_off
    why = masked_by(core, number)
    return f"; {word_name(number)} is pending and {why}" if number not in (0, but) and why != SOON else ""


def goal_to_add(core: RawCore) -> str:
    """A goal for a core, as the layout would have it."""
    return f'\n[[rehearsal.goal]]\ncore = "{core.name}"\nsymbol = "NAME"'


def reads(event: RawEvent, names: CodeNames) -> str:
    """The word of RAM that a core in a loop reads."""
    memory = event.numbers["memory"]
    named = names.variable(event.core, memory)
    where = names.what_is_at(event.core, memory)
    return f"it reads {f'{named}, ' if named else ''}{format_address(memory)} ({where})"
