"""Rule ``constructors-run``: what a build has to run before main, its start-up code runs."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.builds.elf.symbol_entries import Symbol
from gemel.builds.mapped_code import MappedCode
from gemel.checking.findings.build_evidence import of_each_build
from gemel.checking.rule import Rule
from gemel.inspection.code.address_literals import held_in_code
from gemel.inspection.code.address_users import is_reached
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, counted, in_source, lines_in_short
from gemel.layout.model import BuildPlan
from gemel.m_profile.execution.start_run import StartRun
from gemel.outcomes import Finding, Holds, Outcome
from gemel.spans import Span, format_address, merge, offsets_of
from gemel.structs import NamedTuple

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


HARMLESS = frozenset({"frame_dummy", "register_tm_clones", "_GLOBAL__sub_I__ZN9__gnu_cxx9__freeresE"})
"""What compilers and their libraries put into each program, of which one that has no use for it misses nothing: tables
of unwinding and transactions, and room for exceptions where no heap is left (GCC, from memory)."""

MAX_ENTRIES = 1024
"""Words of a build's arrays that are read."""

RETURN = 0x4770


class Constructor(NamedTuple):
    """An entry, by its run address, and the code that it leads to, with its name as far as that is known."""

    entry: int
    code: int
    name: str


def constructors_of(build: Build, arrays: list[Span]) -> list[Constructor]:
    """The constructors in arrays of a build that do something, by their entries."""
    entries = [at for span in merge(arrays) for at in range(span.start + 3 & ~3, span.end - 3, 4)]
    found = []
    for at in entries[:MAX_ENTRIES]:
        code = int.from_bytes(build.read_at_run(at, 4) or b"", "little")
        first = int.from_bytes(build.read_at_run(code & ~1, 2) or b"", "little")
        known = build.function_at(code)
        name = known[0].name if known and not known[1] else ""
        if code & 1 and known and first not in (0, RETURN) and name not in HARMLESS:
            found.append(Constructor(at, code & ~1, name))
    return found


def never_run(
    build: Build, found: list[Constructor], run: StartRun | None, mapped: MappedCode | None
) -> list[Constructor]:
    """The constructors that no code of the build runs.

    Code that holds the address of an array may run it, as far as it is called itself; where the run of the start-up
    code came to ``main`` by such code, or to its end, it shows what that runs.
    """
    gone = run.gone if run else frozenset[int]()
    left = [each for each in found if each.code not in gone]
    holders = _holders(build, found, mapped) if left else set()
    if not any(each is None or is_reached(build, each) for each in holders):
        return left
    seen_all = run is not None and not run.why_not and (run.is_whole or run.has_ended)
    passed = seen_all and any(each and not run.gone.isdisjoint(each.span) for each in holders if run)
    return left if passed else []


def _holders(build: Build, found: list[Constructor], mapped: MappedCode | None) -> set[Symbol | None]:
    """The functions that hold the address of an entry; None for words of data.

    The word before the first entry counts where the function holds the end too and no symbol stands there: compilers
    let loops begin there.
    """
    holders: set[Symbol | None] = set()
    for span in merge(Span(each.entry, 4) for each in found):
        holders |= _holding(build, span, mapped)
        before, ends = Span(span.start - 4, 4), Span(span.end - 4, 8)
        if span.start >= 4 and build.symbols and not build.symbols.objects_in(Span(before.start, 1)):
            holders |= (_holding(build, before, mapped) & _holding(build, ends, mapped)) - {None}
    return holders


def _holding(build: Build, wanted: Span, mapped: MappedCode | None) -> set[Symbol | None]:
    places = set[int]()
    for segment in build.stored:
        for head in range(wanted.start >> 8, (wanted.end - 1 >> 8) + 1):
            for at in offsets_of(head.to_bytes(3, "little"), segment.data):
                word = int.from_bytes(segment.data[max(0, at - 1) : at + 3], "little")
                if at and (segment.run_address + at - 1) % 4 == 0 and wanted.holds(word):
                    places.add(segment.run_address + at - 1)
    places.update(place for place, _ in held_in_code(build, mapped, wanted))
    found = [build.function_at(place) for place in places]
    return {each[0] if each and each[1] < each[0].size else None for each in found}


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
