"""Rule ``handlers-in-code``: every handler after the reset handler is code that its core runs."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.build_evidence import of_each_table
from gemel.checking.findings.handler_words import (
    HandlerFault,
    cut_before_code,
    judged_words,
    words_after_table,
)
from gemel.checking.rule import Rule
from gemel.inspection.cores.vector_tables import (
    ends_inside,
    moved_handlers,
    named_words,
    place_of,
    stored_parts,
    value_lines,
    word_span,
    words_span,
)
from gemel.inspection.cores.views import described_word, run_span_as_seen
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.inspection.wording import counted
from gemel.m_profile.memory_map import DEVICE_REGIONS
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import without
from gemel.structs import replace

WHAT: dict[HandlerFault, str] = {
    "blank": "build {build} has handlers where the image holds no code",
    "erased": "build {build} has erased words among its handlers",
    "return": "build {build} has exception return values among its handlers",
    "never": "build {build} has handlers where nothing is executed",
    "outside": "build {build} has handlers outside the code of core {core}",
    "even": "build {build} has handlers without the Thumb bit",
}


@of_each_table
def check(inspection: Inspection, table: VectorTable) -> Iterator[Outcome]:
    """One outcome for each build, or one for each kind of fault in its table, however many words it has."""
    faults, unchecked = judged_words(inspection, table)
    cut = set(words_after_table(inspection, table))  # vector-table-complete shows
    faults = {
        fault: left for fault, indices in faults.items() if (left := [i for i in indices if i not in cut])
    }
    short = _is_short(table, [index for indices in faults.values() for index in indices])
    for fault, indices in faults.items():
        found = _finding(inspection, table, fault, indices)
        first = ((RULE.name, table.plan.name),) if short else ()
        yield replace(found, follows_from=(*found.follows_from, *first))
    for reason, indices in unchecked.items():
        yield NotChecked(f"build {table.plan.name}, {named_words(indices)}", reason)
    if not faults and not unchecked:
        yield Holds(f"build {table.plan.name}")


_MIN_FAULTY = 16
"""Faulty words from which on a table may be shorter than its core's."""


def _is_short(table: VectorTable, indices: list[int]) -> bool:
    """Whether the table ends before the words that the core may have: what comes after it is read as handlers."""
    words_from = len(table.words) - min(indices, default=0)
    return len(indices) == words_from or (len(indices) > _MIN_FAULTY and 2 * len(indices) > words_from)


def _finding(inspection: Inspection, table: VectorTable, fault: HandlerFault, indices: list[int]) -> Finding:
    core, name = table.core.name, table.plan.name
    values = len({table.words[index] for index in indices})
    others = f" and {counted(values - 1, 'other value')}" if values > 1 else ""
    return Finding(
        WHAT[fault].format(build=name, core=core),
        (name, core),
        where=place_of(table, *indices),
        found=described_word(inspection, core, table.words[indices[0]]) + others,
        expected=_expected(inspection, table, fault),
        span=words_span(table, indices),
        lines=(
            *(value_lines(inspection, table, indices) if others else ()),
            *cut_before_code(inspection, table, table.words[indices[0]]),
        ),
        next_step="mark the handler as a Thumb function where it is defined, in assembly by .thumb_func or by .type "
        "with %function, and name it alone in the table"
        if fault == "even"
        else "",
        follows_from=(
            ("build-ids-equal", name),
            ("copied-build-in-run-area", name),
            ("handlers-executable", place_of(table, *indices)),
            ("vector-table-complete", place_of(table, *indices)),
            *_causes(inspection, table, fault, indices),
        ),
    )


def _causes(
    inspection: Inspection, table: VectorTable, fault: HandlerFault, indices: list[int]
) -> tuple[tuple[str, str], ...]:
    """A section that was left out; of a table that is all of another place, its reset handler."""
    if fault == "blank":
        return (
            ("handlers-executable", table.plan.name),
            ("code-runs-where-stored", table.plan.name),
            ("reset-handler-in-code", table.plan.name),
        )
    end = table.placed.run_start + table.placed.stored.size
    used = sum(1 for word in table.words[2:] if word)
    missing = all(end <= table.words[index] for index in indices) and fault == "outside"
    causes = [("reset-handler-in-code", table.plan.name)] if missing or 2 * len(indices) > used else []
    if indices == [len(table.words) - 1] and moved_handlers(inspection, table) < 0:
        causes.append(("handlers-at-function-starts", table.plan.name))
    parts = stored_parts(inspection, table)
    left_out = any(without([word_span(table, index)], parts) for index in indices)
    if ends_inside(inspection, table) or left_out:
        causes.append(("vector-table-complete", table.plan.name))
    return tuple(causes)


def _expected(inspection: Inspection, table: VectorTable, fault: HandlerFault) -> str:
    if fault == "even":
        return "the same address with bit 0 set"
    if fault == "blank":
        return "an instruction; was a section left out when the file was made (objcopy -j)?"
    if fault == "never":
        closed = " and ".join(map(str, DEVICE_REGIONS))
        return f"outside {closed}, which the default memory map keeps from execution"
    plans = inspection.layout.builds_of(table.core.name)
    runs = [
        str(run_span_as_seen(inspection.placed[plan.name]))
        for plan in plans
        if plan.name in inspection.placed
    ]
    return f"an odd address in {' or '.join(runs)}; 0 for what is never raised"


RULE = Rule(
    name="handlers-in-code",
    severity="error",
    guards="device",
    checks="Every word of a vector table that the core's architecture uses, after the first two, is zero "
    "or the address, with bit 0 set, of code that the core runs: stored in one of its builds or copied from "
    "there to RAM.",
    why="The core takes the word as an address only when that exception comes, perhaps after months. An "
    "erased word, one outside its code or one without the Thumb bit then faults instead of handling the "
    "exception, or runs the other core's code on this core.",
    remedy="Write the table for this core with a default handler in every word that is not used; if the "
    "table is shorter than the layout says, give the core in the layout as many interrupts as the table has.",
    source="Armv7-M Architecture Reference Manual, section B1.5.3, the vector table (from memory); "
    "CMSIS-Core, core header for Armv8-M (EXC_RETURN and FNC_RETURN values); parts of the default memory "
    "map that are never executed (from memory)",
    absent="the layout has no build in an area of purpose code",
    check=check,
)
