"""Rule ``reset-handler-in-code``: each core starts in its own code."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.handler_words import cut_before_code
from gemel.checking.rule import Rule
from gemel.inspection.code.code_starts import inside_of
from gemel.inspection.cores.vector_tables import (
    ends_inside,
    moved_words,
    named_words,
    place_of,
    tables,
    word_span,
)
from gemel.inspection.cores.views import (
    described_word,
    in_execute_never,
    is_erased_at,
    run_span_as_seen,
    runs_from,
)
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.layout.addresses import locate
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.placement.places import starting_plan
from gemel.placement.placing import forgotten_run_area
from gemel.spans import format_address

NO_LINK = 0xFFFF_FFFF
"""What the link register holds at reset."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build: its vector table's second word."""
    for table in tables(inspection):
        yield table if isinstance(table, NotChecked) else _outcome(inspection, table)


def _outcome(inspection: Inspection, table: VectorTable) -> Outcome:
    name, core, reset = table.plan.name, table.core.name, table.words[1]
    cause: tuple[tuple[str, str], ...] = ()
    if reset == 0:
        what = f"build {name} has no reset handler"
        expected = f"a handler inside {run_span_as_seen(table.placed)}"
        next_step = "name the start-up code's handler in word 1 of the vector table"
    elif not runs_from(inspection, table.placed, reset & ~1):
        what = f"core {core} would start outside the code of build {name}"
        if forgotten_run_area(inspection.layout, table.plan, reset):
            what = f"build {name} is linked to run in RAM; the layout says that it runs where it is stored"
        expected = f"inside {run_span_as_seen(table.placed)}"
        next_step = _next_step(inspection, table, reset)
        if _holds_vectors_alone(inspection, table):
            what = f"build {name} holds only its vector table"
            expected = "the code that its entries address"
            next_step = "copy all sections: objcopy without -j (--only-section); the file may be cut, too"
        if ends_inside(inspection, table):
            cause = (("vector-table-complete", name),)
        if table.plan.runs_in:
            cause = (*cause, ("copied-build-in-run-area", name))
    elif closed := in_execute_never(reset):
        what = f"core {core} would start where nothing is executed"
        expected = f"outside {closed}, which the default memory map keeps from execution"
        next_step = ""
    elif not reset & 1:
        what = f"the reset handler of build {name} lacks the Thumb bit"
        expected, next_step = f"{format_address(reset | 1)} (bit 0 set)", ""
    elif is_erased_at(inspection, core, reset & ~1):
        what = f"core {core} would start where the image holds no code"
        expected = "an instruction"
        next_step = "was a section left out when the file was made (objcopy -j)?"
        cause = ("handlers-executable", name), ("code-runs-where-stored", name)
    elif skipped := _returning(inspection, table, reset) or _skipped(inspection, table, reset):
        what = f"the reset vector of build {name} is {skipped[0]}; start-up is skipped"
        expected = "the reset handler of the start-up code, which initialises RAM and calls main"
        next_step = skipped[1]
    else:
        return Holds(f"build {name}")
    return Finding(
        what,
        (name, core, table.plan.stored_in),
        where=place_of(table, 1),
        found=described_word(inspection, core, reset),
        expected=expected,
        span=word_span(table, 1),
        lines=cut_before_code(inspection, table, reset),
        next_step=next_step,
        follows_from=(*cause, ("build-ids-equal", table.plan.name)),
    )


def _holds_vectors_alone(inspection: Inspection, table: VectorTable) -> bool:
    """Whether all words that a build stores, after its stack pointer, are zero or lead out of it by a Thumb address."""
    placement = inspection.placements.get(table.plan.name)
    pieces = placement.pieces if placement else ()
    words = [
        word
        for piece in pieces
        for place, word in piece.segment.aligned_words()
        if place != table.placed.vector_address
    ]
    return len(words) > 1 and all(
        not word
        or (
            word & 1
            and locate(inspection.layout, word, table.core.name)
            and not runs_from(inspection, table.placed, word & ~1)
        )
        for word in words
    )


def _returning(inspection: Inspection, table: VectorTable, reset: int) -> tuple[str, str] | None:
    """A reset vector that is a function which returns before ``main``; what to do.

    It does so on each way, or the file's entry point leads to it, or to ``main``.  A second build of a core may be
    called by the first.  Code that goes on by a vector table does not return, even where that is erased.
    """
    placement = inspection.placements.get(table.plan.name)
    run = inspection.start_runs.get(table.plan.name) if placement else None
    ends = {end.at for end in run.ends} if run and not run.is_whole and not run.jumps else set()
    if placement is None or NO_LINK & ~1 not in ends:
        return None
    if table.core.role == "primary" and table.plan is not starting_plan(inspection.layout):
        return None
    from gemel.inspection.code.address_users import reached_from

    build = placement.build
    function, entry = build.function_at(reset), build.function_at(build.entry or 0)
    other = (
        entry[0] if entry and not entry[1] and function and entry[0].address != function[0].address else None
    )
    if function is None or any(each.name == "main" for each in reached_from(build, reset)):
        return None
    started = reached_from(build, other.address) if other else ()
    if len(ends) > 1 and not any(
        each.address == function[0].address or each.name == "main" for each in started
    ):
        return None
    handler = f", {other.name}, the file's entry point" if other else " that goes on for ever"
    return f"{function[0].name}, which returns", f"name the start-up code's handler in word 1{handler}"


def _skipped(inspection: Inspection, table: VectorTable, reset: int) -> tuple[str, str] | None:
    """A reset vector that is ``main``, or another word's handler and not the file's entry point; what to do.

    Only where nobody initialises data: some tables name the reset handler in every word.
    """
    name = table.plan.name
    placement = inspection.placements.get(name)
    symbols = placement.build.symbols if placement else None
    function = symbols.function_at(reset) if symbols else None
    if placement is None or symbols is None or function is None or inside_of(placement.build, reset):
        return None  # handlers-at-function-starts says what is wrong with an address inside a function
    others = [index for index, word in enumerate(table.words) if index > 1 and word == reset]
    entry = placement.build.entry
    starts = symbols.function_at(entry) if entry is not None and entry != reset else None
    if function[0].name != "main" and not (others and starts):
        return None
    from gemel.inspection.start_up.started import never_initialised

    left = never_initialised(inspection.layout, placement, reset, inspection.start_runs.get(name))
    if not left:
        return None
    segments = " and ".join(piece.segment.words for piece in left)
    handler = f", such as {starts[0].name}, the file's entry point" if starts and not starts[1] else ""
    shared = f", the handler of {named_words(others)} too" if others else ""
    return (
        f"{function[0].name}{shared}",
        f"name the start-up code's handler in word 1{handler}: nothing that {function[0].name} leads to copies "
        f"{segments}",
    )


def _next_step(inspection: Inspection, table: VectorTable, reset: int) -> str:
    """What to do about a reset handler outside its code, if its place shows more than the remedy."""
    from gemel.inspection.moved_after_link import linked_elsewhere

    located = locate(inspection.layout, reset, table.core.name)
    name = table.plan.name
    if moved := linked_elsewhere(inspection.builds.get(name)) or moved_words(inspection):
        return moved
    if forgotten := forgotten_run_area(inspection.layout, table.plan, reset):
        return forgotten
    if located and located.memory.kind == "ram" and table.plan.runs_in is None:
        return f"RAM holds no code at reset: keep the reset handler of build {name} where it is stored"
    if located and table.plan.runs_in and table.placed.stored.holds(located.plain):
        start = format_address(table.placed.run_start)
        return f"link build {name} for {start}, where it runs, and only load it to where it is stored"
    if located is None and table.placed.stored.holds(reset):
        seen, plain = map(format_address, (table.placed.run_start, table.placed.stored.start))
        return f"core {table.core.name} sees {plain} at {seen}: link build {name} for that"
    if located and _is_cut(inspection, table, located.plain):
        end, start = map(format_address, (table.placed.stored.last, table.placed.run_start))
        return f"the file ends at {end}: it may be cut, or lack sections; else link it for {start}"
    return ""


def _is_cut(inspection: Inspection, table: VectorTable, plain: int) -> bool:
    """Whether a file without symbols ends before a place in its own area."""
    build, area = inspection.builds.get(table.plan.name), inspection.layout.span_of(table.plan.stored_in)
    return build is not None and build.symbols is None and table.placed.stored.end <= plain < area.end


RULE = Rule(
    name="reset-handler-in-code",
    severity="error",
    guards="device",
    checks="The reset handler of each build, word 1 of its vector table, is an address inside the bytes "
    "that the build runs from, in memory that can be executed, with bit 0 set, not main or another word's "
    "handler where that leaves initialised data uninitialised, and no function that returns before main.",
    why="At reset the core takes this word as its first address. Outside its code it runs whatever is "
    "there; with bit 0 clear it leaves Thumb state, which M-profile cores do not have, and the first "
    "instruction faults.",
    remedy="Link the build for the place the layout gives it, with the vector table first; mark an "
    "assembler handler as a Thumb function (.thumb_func).",
    source="Armv7-M Architecture Reference Manual, section B1.5.5, reset behaviour (second-hand); Armv6-M "
    "likewise; parts of the default memory map that are never executed (from memory)",
    absent="the layout has no build in an area of purpose code",
    check=check,
)
