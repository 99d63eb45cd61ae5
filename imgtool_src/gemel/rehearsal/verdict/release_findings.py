"""What is judged at the end of a run: was each core released as it must be, is anything still to come."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gemel.m_profile.vector_tables import word_name
from gemel.rehearsal.plan import CorePlan, DevicePlan, GoalPlan
from gemel.rehearsal.raw_run import RawCore, RawEvent, RawRun
from gemel.rehearsal.result import RehearsalFinding
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.described import interrupts_that_do_not_come, lines_last
from gemel.rehearsal.verdict.endings import LONG, describe_release, last_line, masked_for_long, unreleasable
from gemel.rehearsal.verdict.fault_words import SET_BEFORE, of_unwritten
from gemel.rehearsal.verdict.loop_words import (
    gave_up,
    given_up,
    polls_other,
    reads,
    reads_nothing,
    recurs,
    takes_often,
)
from gemel.rehearsal.verdict.program_ends import waiting_tasks
from gemel.rehearsal.verdict.wording import words_for
from gemel.rehearsal.verdict.words import Words, at_end, error_about
from gemel.spans import format_address
from gemel.text.escaping import on_one_line

STATES = {
    "running": "runs",
    "waiting": "waits for an event",
    "sleeping": "sleeps",
    "locked up": "is locked up",
    "stopped": "stopped at a fault",
    "reset": "is in reset",
}


def release_findings(plan: DevicePlan, run: RawRun, names: CodeNames) -> Iterator[RehearsalFinding]:
    """For each secondary: released at all, after its vector register was written, with the right address."""
    for core in plan.cores:
        if core.release is None:
            continue
        released = next((e for e in run.events if e.kind == "released" and e.words["of"] == core.name), None)
        if released is None and run.ended != "finding":
            yield _never_released(plan, core, run, names)
        elif released is None:
            continue  # the finding that ended the run says why
        elif not released.numbers["written"]:
            words = Words(
                f"core {core.name} is released before its vector register was written",
                f"{names.register(core.release.vector_register)} was not written; the core starts at zero",
                "the address of its vector table, then the release",
                "write the vector register first",
            )
            yield error_about(released, words, names, "released-before-vector")
        elif core.release.expected is not None and not _same_place(core, released):
            yield _wrong_address(core, released, run, names)
        elif not plan.goals and run.ended in ("asleep", "same state"):
            yield from _put_back(core, released, run, names)


def _put_back(
    core: CorePlan, released: RawEvent, run: RawRun, names: CodeNames
) -> Iterator[RehearsalFinding]:
    """Without goals: a core that is in reset again where nothing more happens."""
    raw = next(each for each in run.cores if each.name == core.name)
    if raw.state == "reset":
        control = names.register(core.release.control_register) if core.release else ""
        words = Words(
            f"core {core.name} is in reset at the end",
            f"released at instruction {released.time:,}, and put back by a write to {control} later",
            "an idle state that an interrupt can end",
            "see why the primary puts it back; if it is to be stopped then, state in a goal what it has to reach",
        )
        yield at_end(raw, run, words, names, "no-idle-state")


def _same_place(core: CorePlan, released: RawEvent) -> bool:
    """Whether the address written is one under which the core sees its vector table; aliases count."""
    expected = core.release.expected if core.release else None
    if expected is None or released.numbers["vectors"] == expected:
        return True
    located = [
        (window.memory, address - window.start)
        for address in (expected, released.numbers["vectors"])
        for window in core.windows
        if window.span.holds(address)
    ]
    return len(located) == 2 and located[0] == located[1]


def _wrong_address(core: CorePlan, released: RawEvent, run: RawRun, names: CodeNames) -> RehearsalFinding:
    writes = [
        e
        for e in run.events
        if e.kind == "vector-register" and e.words["of"] == core.name and e.time <= released.time
    ]
    writer = writes[-1] if writes else released
    expected = core.release.expected if core.release else None
    got = released.numbers["vectors"]
    unset = of_unwritten(got)
    words = Words(
        f"core {core.name} is released at a wrong address",
        f"{format_address(got)}, {unset or names.what_is_at(core.name, got)}",
        f"{format_address(expected or 0)}, where its vector table is",
        SET_BEFORE
        if unset
        else "correct the address in the primary's code, or place the build where the primary starts it",
    )
    return error_about(writer, words, names, "released-at-wrong-address")


def _never_released(plan: DevicePlan, core: CorePlan, run: RawRun, names: CodeNames) -> RehearsalFinding:
    primary = next(each for each in plan.cores if each.primary)
    raw = next(each for each in run.cores if each.name == primary.name)
    release = core.release
    control = names.register(release.control_register) if release else ""
    writes = [e for e in run.events if e.kind == "control-register" and e.words["of"] == core.name]
    written = ""
    if release and writes:
        written = (
            f", though {control} gets {format_address(writes[-1].numbers['value'])}, where the bits "
            f"{format_address(release.release_mask)} must be {format_address(release.release_value)}"
        )
    words = Words(
        f"core {core.name} is never released{written}",
        f"{_budget(run)}after {run.time:,} instructions core {primary.name} {STATES[raw.state]}",
        f"a write of {format_address(release.release_value)} in the bits {format_address(release.release_mask)} to "
        f"{control}"
        if release
        else "",
        "write the value of the data sheet, or correct release_mask and release_value in the layout"
        if writes
        else ("allow more instructions (--budget), or " if run.ended == "budget" else "")
        + "see why the primary does not get there; "
        + (
            interrupts_that_do_not_come(plan, run, raw, names)
            or "a register that it waits for may need describing"
        ),
    )
    return at_end(raw, run, words, names, "never-released")


def _budget(run: RawRun) -> str:
    return "the budget ended; " if run.ended == "budget" else ""


def _turning(run: RawRun) -> dict[str, RawEvent]:
    """Cores in a loop that nothing they read could end; what interrupts them may do all the work."""
    reads = {"register", "described", "memory"}
    return {
        each.core: each for each in run.events if each.kind == "loops" and not reads & each.numbers.keys()
    }


def _near_text(goal: GoalPlan, run: RawRun) -> str:
    """A question about a text that is nearly the one of a goal; empty where its core sent none."""
    sent = (each.words["line"] for each in run.events if each.kind == "text" and each.core == goal.core)
    near = near_text(goal.text, sent) if goal.text else ""
    return f'did you mean "{on_one_line(near)}", which it sent?' if near else ""


def _left(plan: DevicePlan, run: RawRun) -> dict[str, list[tuple[GoalPlan, int]]]:
    """By core the goals that were not reached, each with the word that is held where it looks."""
    left: dict[str, list[tuple[GoalPlan, int]]] = {}
    for goal, reached, held in zip(plan.goals, run.goals, run.held, strict=True):
        if not reached:
            left.setdefault(goal.core, []).append((goal, held))
    return left


def _waits(
    run: RawRun, raw: RawCore, for_other: RawEvent | None, masked: str, names: CodeNames
) -> tuple[str, str]:
    """What a core reads again and again, and who is to write that; empty where it is not known to wait."""
    if for_other:
        return (
            f"; {reads(for_other, names)} again and again, which another core is to write",
            "the other core",
        )
    polls = next((each for each in run.events if each.kind == "polls" and each.core == raw.name), None)
    if polls is None or masked:
        return "", ""
    taken = ", ".join(map(word_name, raw.taken)) or "none"
    said = f"; {reads(polls, names)} again and again, which a handler is to write (taken so far: {taken})"
    return said, "a handler"


def unreached_goals(plan: DevicePlan, run: RawRun, names: CodeNames) -> Iterator[RehearsalFinding]:
    """One finding for each core with goals that were not reached, but none for one that waits for another of them."""
    left = _left(plan, run)
    waiting = {
        each.core: each for each in run.events if each.kind in ("loops", "polls") and polls_other(each)
    }
    follow = {name: waiting[name] for name in left if name in waiting and left.keys() - waiting.keys()}
    for name, goals in left.items():
        if name in follow:
            continue
        raw = next(each for each in run.cores if each.name == name)
        core = next(each for each in plan.cores if each.name == name)
        kept = name if core.release is None and not core.primary else unreleasable(plan, name)
        between_ticks = (
            run.ended == "budget" and raw.ticks and raw.slept_at and run.time - raw.slept_at < LONG
        )
        does = "sleeps between ticks" if between_ticks else STATES[raw.state]
        does += ", and nothing will wake it" * (run.ended == "asleep" and raw.state == "sleeping")
        if turning := _turning(run).get(name):
            does += f" in a loop that {reads_nothing(turning)}"
        masked = masked_for_long(raw, run)
        waits, by = _waits(run, raw, waiting.get(name), masked, names)
        does += f"{'' if raw.slept_at else takes_often(run, raw)}{waits}{last_line(run, name)}"
        if held := [format_address(word) for goal, word in goals if goal.word]:
            does += f"; the word{' holds' if len(held) == 1 else 's hold'} {', '.join(held)}"
        does += "".join(
            f"; {each.numbers['times']:,} times {words_for(each, names).what}, at {names.place(name, each.pc or 0)}"
            for each in run.events
            if each.core == name and recurs(each)
        )
        does += "".join(
            f"; so core {other} waits: {reads(event, names)} again and again"
            for other, event in follow.items()
        )
        if tasks := waiting_tasks(raw, names):
            does += f"; {tasks}"
        others = interrupts_that_do_not_come(plan, run, raw, names, raw.held_off if masked else 0)
        if wait := given_up(run, name):
            does, others = f"{does}; {gave_up(wait, names)}", wait.lines
        over = (
            "see the timeline" if run.ended == "budget" else "see how it came there, and what was to wake it"
        )
        let = f"let {word_name(raw.held_off)} be taken" if masked else over
        see = f"see why {by} does not write what ends that" if waits else let
        if tasks and not (waits or masked):
            see = "see what its tasks wait for, and who was to end that"
        more = " if one of them waits for a time" if tasks else ""
        see += f", or allow more instructions (--budget){more}" if _budget(run) else ""
        labels = ", and ".join(goal.label for goal, _ in goals)
        near = (_near_text(goal, run) for goal, _ in goals)
        words = Words(
            f"{'a goal was' if len(goals) == 1 else f'{len(goals)} goals were'} not reached: {labels}",
            f"{_budget(run)}after {run.time:,} instructions core {name} {does}{masked}",
            labels,
            "; ".join(lines_last((*near, others, see))),
        )
        if kept and next(each for each in run.cores if each.name == kept).state == "reset":
            words = words._replace(
                found=f"{words.found}; the layout does not say how core {kept} is released",
                next_step=describe_release(run, kept),
            )
        yield at_end(raw, run, words, names, "goal-not-reached")


SHORT = 6
"""Characters of a word in which one is other at most; of a longer one two."""

MIN_WORD = 3
"""Characters of a word that is another one as soon as a letter is other: "on" is not "no"."""

MARKS = ".,:;!?"
"""What may be next to a word."""

MAX_WORDS = 2
"""Words that differ in one text at most."""


def near_text(sought: str, lines: Iterable[str]) -> str:
    """What one of ``lines`` has in place of ``sought``; empty where none is nearly equal.

    Other spaces are near; other digits, or another word, are another value, and no misspelling.
    """
    words = sought.split()
    for line in dict.fromkeys(lines):
        sent = line.split()
        if words and "".join(words) in "".join(sent):
            return line
        for first in range(len(sent) - len(words) + 1) if words else ():
            part = sent[first : first + len(words)]
            pairs = [(word.strip(MARKS), found.strip(MARKS)) for word, found in zip(words, part, strict=True)]
            other = [(word, found) for word, found in pairs if word != found]
            if len(other) <= MAX_WORDS and all(_is_near(word, found) for word, found in other):
                return " ".join(part)
    return ""


def _is_near(word: str, other: str) -> bool:
    if list(filter(str.isdigit, word)) != list(filter(str.isdigit, other)):
        return False
    if word.casefold() == other.casefold():
        return True
    from difflib import SequenceMatcher

    steps = SequenceMatcher(None, word, other, autojunk=False).get_opcodes()
    changed = sum(
        max(last - first, end - start) for step, first, last, start, end in steps if step != "equal"
    )
    return changed <= (1 if len(word) <= SHORT else 2) and min(len(word), len(other)) > MIN_WORD
