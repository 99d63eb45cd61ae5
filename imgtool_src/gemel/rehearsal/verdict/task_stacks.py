"""Process stacks: variable or section of each, how much of it was used, what used more, where tasks wait."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.rehearsal.plan import FIRST_PUSH
from gemel.rehearsal.raw_run import RawCore, RawEvent, RawRun, RawThread
from gemel.rehearsal.result import RehearsalFinding, StackUse
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.words import Words, error_about
from gemel.spans import format_address
from gemel.text.wrapping import first_of

MAX_TASKS = 4
"""Tasks of which a finding says where they wait."""


def stack_uses(core: RawCore, names: CodeNames) -> Iterator[StackUse]:
    """The process stacks, each within the variable that holds its top, and above the next one."""
    below = 0
    for high, low, pointer, _, _ in sorted(core.process_stacks):
        place = names.stack_at(core.name, high - 1)
        limit = max(below, place[1].start) if place else None
        low = min(max(low, limit or 0), pointer)
        above = place[1].end - high if place else 0
        top = high + above if 0 < above <= FIRST_PUSH else high
        name, room = place[0] if place else "", top - limit if limit else None
        yield StackUse(name, top, format_address(top), top - low, room)
        below = high


def overruns(run: RawRun, names: CodeNames) -> Iterator[RehearsalFinding]:
    """Stacks whose pointer was below the variable or section that holds their top, in or next to another one.

    What is below of no name may belong to the stack: a script can reserve it, and name its end alone.
    """
    for core in run.cores:
        for high, _, pointer, time, at in sorted(core.process_stacks):
            place = names.stack_at(core.name, high - 1)
            if place is None or pointer >= place[1].start:
                continue
            name, span = place
            beside = (names.stack_at(core.name, each) for each in (pointer, span.start - 1, span.start - 8))
            other = next(filter(None, beside), None)
            if other is None:
                continue
            words = Words(
                f"core {core.name} uses more of the stack {name} than it has",
                f"stack pointer {format_address(pointer)}, {span.start - pointer} bytes below {name}, in "
                f"{other[0]}",
                f"at most {span.size:,} bytes, from {format_address(span.end)} down to {format_address(span.start)}",
                f"give {name} more room, or find the recursion or the large local variable",
            )
            event = RawEvent(time, core.name, "below-stack-limit", at, {}, {})
            yield error_about(event, words, names, event.kind)


def waiting_tasks(core: RawCore, names: CodeNames) -> str:
    """Where the tasks were left that have not run for long; empty without any."""
    left = [each for each in core.threads if each.stack]
    waiting = [each for each in left if not each.runs]
    if not waiting:
        return ""
    shown = first_of([_where(core, each, names) for each in waiting], MAX_TASKS)
    who = "no other task has run" if waiting == left else "tasks that have not run"
    return f"{who} since instruction {max(each.time for each in waiting):,}: {shown}"


def _where(core: RawCore, thread: RawThread, names: CodeNames) -> str:
    """The stack of a task, and the functions that it is in."""
    place = names.stack_at(core.name, thread.stack - 1)
    inside = [names.function_name(core.name, each) for each in (*thread.calls, thread.place)]
    functions = " > ".join(dict.fromkeys(filter(None, inside))) or format_address(thread.place)
    return f"{place[0] if place else format_address(thread.stack)} in {functions}"
