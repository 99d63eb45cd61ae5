"""Programs, and tasks of them, that came to an end in a function that never returns; the stacks of tasks."""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator, Sequence

from gemel.builds.build import Build
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


PROGRAM_ENDS = {
    "__assert_func": "an assertion that fails",
    "__assert_fail": "an assertion that fails",
    "__assert_no_args": "an assertion that fails",
    "__cxa_pure_virtual": "a call of a pure virtual function",
    "__stack_chk_fail": "a guard of the stack that was overwritten",
    "core::panicking::panic_fmt": "a panic",
    "rust_begin_unwind": "a panic",
    "__rustc::rust_begin_unwind": "a panic",
    "__cxa_throw": "an exception that nothing catches",
    "std::terminate": "std::terminate",
    "abort": "abort",
    "exit": "exit",
    "_exit": "the end of the program",
    "_Exit": "the end of the program",
}
"""Functions of C, C++ and Rust libraries that end a program, and why; those that others of them call come last."""

STOPS = frozenset(("halt", "panic", "assert", "fatal"))
"""Words of names of functions in which a program stops by itself, as in ``Error_Handler``; common practice."""

NEAR, MAX_TEXT = 8, 120
"""Bytes of code before a call in which its first argument is loaded, and of a text that it is."""

NEAR_LOOP = 32
"""Bytes from where a loop was found to where its core is at the end."""

GOES_ON = ("__cxa_throw", "exit", "_exit", "_Exit")
"""Those that a sound program may be in: an exception that is caught, or interrupts that do all the work after main."""

CORRECT = "correct what leads there, see the calls"


def program_end(core: str, places: Sequence[int], names: CodeNames) -> str:
    """What ended the program that a core was to run, by the ``places`` that it is in; empty if nothing did."""
    inside = _functions(core, places, names)
    name = next((each for each in PROGRAM_ENDS if each in inside), "")
    if not (name or (inside and _stops(inside[-1]))):
        return ""
    at = inside.index(name or inside[-1])
    caller = f", in {names.place(core, places[at - 1], source=True)}" if at else ""
    text = _text_given(core, places[at - 1], names) if at and not name else ""
    return f"{PROGRAM_ENDS[name] if name else inside[-1] + text}{caller}"


def _stops(name: str) -> bool:
    words = {word.lower() for word in re.findall("[A-Z]?[a-z]+|[A-Z]+", name)}
    return not STOPS.isdisjoint(words) or {"error", "handler"} <= words


def _text_given(core: str, call: int, names: CodeNames) -> str:
    """The text in parentheses that a call gives, where its first argument is one; empty if none is seen."""
    for _, build in names.builds_of(core):
        code = build.read_at_run(call - NEAR, NEAR) or b""
        for start in _first_arguments(build, code, call - NEAR):
            segment = build.segment_at_run(start)
            stored = segment.data[start - segment.run_address :][:MAX_TEXT] if segment else b""
            text = stored.partition(b"\0")[0].decode("ascii", "replace")
            if text.isascii() and text.isprintable() and text:
                return f'("{text}")'
    return ""


def _first_arguments(build: Build, code: bytes, address: int) -> Iterator[int]:
    """What r0 is loaded with in ``code``: by ADR, a literal, or MOVW and MOVT."""
    from gemel.inspection.code.core_settings import constant_word
    from gemel.m_profile.instructions.halfwords import moved_constant

    halves = [half for (half,) in struct.iter_unpack("<H", code)]
    for index, first in enumerate(halves):
        place = (address + 2 * index + 4 & ~3) + 4 * (first & 0xFF)
        if first >> 8 == 0xA0:
            yield place
        elif first >> 8 == 0x48:
            yield constant_word(build, place) or 0
    if len(halves) == 4 and [each & 0xFBF0 for each in halves[::2]] == [0xF240, 0xF2C0]:
        low, high = (moved_constant(*halves[at : at + 2]) for at in (0, 2))
        yield high << 16 | low


def _functions(core: str, places: Sequence[int], names: CodeNames) -> list[str]:
    return [names.function_name(core, each).partition("(")[0] for each in places]


def ended_tasks(run: RawRun, names: CodeNames) -> Iterator[RehearsalFinding]:
    """Thread code that still executes where no sound program does, while interrupts and other tasks may go on."""
    for core in run.cores:
        for thread in core.threads:
            places = (*thread.calls, thread.place)
            ended = {*_functions(core.name, places, names)} & PROGRAM_ENDS.keys() - {*GOES_ON}
            if not (thread.runs and ended):
                continue
            stays = names.function_name(core.name, thread.place) or "a loop"
            words = Words(
                f"core {core.name} stays in {stays}: {program_end(core.name, places, names)}",
                "thread code never goes on, while interrupts come",
                "tasks that go on, or wait for what ends their wait",
                CORRECT,
            )
            event = RawEvent(thread.time, core.name, "endless-loop", thread.place, {}, {}, thread.calls)
            yield error_about(event, words, names, event.kind)
            break


def stopped(core: RawCore, names: CodeNames) -> str:
    """That a core is at the end in a function in which a program stops by itself; empty if it is not."""
    if core.state != "running" or not _stops(names.function_name(core.name, core.pc)):
        return ""
    calls = next((each.calls for each in core.threads if abs(each.place - core.pc) <= NEAR_LOOP), ())
    return f"core {core.name} has stopped by {program_end(core.name, (*calls, core.pc), names)}"
