"""Programs, and tasks of them, that came to an end in a function of a library that never returns."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from gemel.rehearsal.raw_run import RawEvent, RawRun
from gemel.rehearsal.result import RehearsalFinding
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.findings import error_about
from gemel.rehearsal.verdict.words import Words

PROGRAM_ENDS = {
    "__assert_func": "an assertion that fails",
    "__assert_fail": "an assertion that fails",
    "__assert_no_args": "an assertion that fails",
    "__cxa_pure_virtual": "a call of a pure virtual function",
    "__stack_chk_fail": "a guard of the stack that was overwritten",
    "core::panicking::panic_fmt": "a panic",
    "rust_begin_unwind": "a panic",
    "__cxa_throw": "an exception that nothing catches",
    "std::terminate": "std::terminate",
    "abort": "abort",
    "exit": "exit",
    "_exit": "the end of the program",
    "_Exit": "the end of the program",
}
"""Functions of C, C++ and Rust libraries that end a program, and why; those that others of them call come last."""

GOES_ON = ("__cxa_throw", "exit", "_exit", "_Exit")
"""Those that a sound program may be in: an exception that is caught, or interrupts that do all the work after main."""

CORRECT = "correct what leads there, see the calls"


def program_end(core: str, places: Sequence[int], names: CodeNames) -> str:
    """What ended the program that a core was to run, by the ``places`` that it is in; empty if nothing did."""
    inside = _functions(core, places, names)
    name = next((each for each in PROGRAM_ENDS if each in inside), "")
    if not name:
        return ""
    at = inside.index(name)
    caller = f", in {names.place(core, places[at - 1], source=True)}" if at else ""
    return f"{PROGRAM_ENDS[name]}{caller}"


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
