"""Rule ``constructors-run``: what a build has to run before main, its start-up code runs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_build
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, counted, in_source, lines_in_short
from gemel.layout.model import BuildPlan
from gemel.outcomes import Finding, Holds, Outcome
from gemel.spans import Span, format_address

if TYPE_CHECKING:
    from gemel.inspection.start_up.constructors import Constructor

SECTIONS = (".preinit_array", ".init_array", ".ctors")
"""How the names of sections of constructors begin."""

MADE_NAME = "_GLOBAL__"
"""How the names begin that compilers of C++ give to the constructors of a file's objects."""


@of_each_build("symbols")
def check(inspection: Inspection, plan: BuildPlan, build: Build) -> Iterator[Outcome]:
    """One outcome for each build that has constructors."""
    arrays = list(_arrays(build))
    if not arrays:
        return
    from gemel.inspection.start_up.constructors import constructors_of, never_run

    found = constructors_of(build, arrays)
    if found:
        run, mapped = inspection.start_runs.get(plan.name), inspection.mapped_code.get(plan.name)
        left = never_run(build, found, run, mapped)
        yield _finding(plan, build, left, len(found)) if left else Holds(f"build {plan.name}")


def _arrays(build: Build) -> Iterator[Span]:
    """Where entries are: by the names of sections and labels, and by those that compilers give to constructors."""
    yield from _named_arrays(build)
    made = build.symbols.beginning(MADE_NAME) if build.symbols else ()
    entries = {each.address | 1 for each in made if each.kind == "function" and each.defined}
    for segment in build.stored if entries else ():
        yield from (Span(at, 4) for at, word in segment.aligned_words() if word in entries)


def _named_arrays(build: Build) -> Iterator[Span]:
    for section in build.all_sections:
        if section.name.startswith(SECTIONS) and section.allocated and section.stored:
            yield section.span
    if build.symbols is None:
        return
    labels = {each.name: each.value for each in build.symbols.labels if "init_array_" in each.name}
    for kind in ("preinit", "init"):
        start, end = (labels.get(f"__{kind}_array_{each}", 0) for each in ("start", "end"))
        if 0 < start < end:
            yield Span.from_bounds(start, end)


def _finding(plan: BuildPlan, build: Build, left: list[Constructor], count: int) -> Finding:
    first = left[0]
    section = next((each.name for each in build.all_sections if each.span.holds(first.entry)), "")
    passed = len(left) < count
    which = f"{len(left)} of {counted(count, 'constructor')}" if passed else counted(count, "constructor")
    return Finding(
        f"code of build {plan.name} {'leaves out constructors' if passed else 'runs none of its constructors'}",
        concerned(plan.name, plan.core),
        where=f"build {plan.name} ({build.file}{f', section {section}' if section else ''})",
        found=f"{which} that nothing calls, the first by the entry at {format_address(first.entry)}: {_named(first)}",
        expected="each called before main",
        span=Span(first.entry, 4),
        lines=lines_in_short(
            [f"{format_address(each.entry)}: {_named(each)}" for each in left[1:]], "constructor"
        ),
        follows_from=(("reset-handler-in-code", plan.name), ("initialised-data-copied", plan.name)),
    )


def _named(each: Constructor) -> str:
    return in_source(each.name) or f"the code at {format_address(each.code)}"


RULE = Rule(
    name="constructors-run",
    severity="warning",
    guards="device",
    checks="Each constructor of a build, by its .preinit_array, .init_array and .ctors, is called by its start-up code "
    "as that runs, or code that something calls holds the address of the array.",
    why="Objects of C++ with constructors, and what C marks with constructor, are not set up where start-up code that "
    "was written for C goes to main at once, or where the labels of a linker script are not around all entries: their "
    "members are zero, their pointers to virtual functions too, and the first call through one faults.",
    remedy="Call __libc_init_array before main, or each entry from __init_array_start to __init_array_end, labels that "
    "are around all input sections, .init_array.* and .init_array.",
    source="System V ABI, chapter 5, Initialization and Termination Functions (gABI, from memory); common practice",
    absent="no build has constructors",
    check=check,
    of_elf=True,
)
