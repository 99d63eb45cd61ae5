"""What is wrong with single words of vector tables: for the rules about handlers."""

from __future__ import annotations

from typing import Literal

from gemel.inspection.cores.views import (
    ERASED_WORD,
    LOWEST_RETURN,
    distance,
    in_execute_never,
    is_erased_at,
    runs_from,
)
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.layout.addresses import locate
from gemel.layout.model import BuildPlan, Core
from gemel.m_profile.vector_tables import FIRST_INTERRUPT, reserved_words
from gemel.spans import Span
from gemel.structs import NamedTuple

HandlerFault = Literal["blank", "erased", "return", "never", "outside", "even"]


class Unchecked(NamedTuple):
    """Why it cannot be said whether there is code at an address."""

    reason: str


def judged_words(
    inspection: Inspection, table: VectorTable
) -> tuple[dict[HandlerFault, list[int]], dict[str, list[int]]]:
    """The words that are at fault, by the fault, and those of which that cannot be said, by the reason."""
    faults: dict[HandlerFault, list[int]] = {}
    unchecked: dict[str, list[int]] = {}
    skipped = reserved_words(table.core.architecture)
    fault_of = {
        word: fault
        for word in set(table.words[2:])
        if word and (fault := _fault(inspection, table.core, word))
    }
    for index, word in enumerate(table.words) if fault_of else ():
        if index < 2 or index in skipped:
            continue
        fault = fault_of.get(word)
        if isinstance(fault, Unchecked):
            unchecked.setdefault(fault.reason, []).append(index)
        elif fault:
            faults.setdefault(fault, []).append(index)
    return faults, unchecked


def _fault(inspection: Inspection, core: Core, word: int) -> HandlerFault | Unchecked | None:
    if word == ERASED_WORD:
        return "erased"
    if word >= LOWEST_RETURN:
        return "return"
    if in_execute_never(word):
        return "never"
    code = _code_at(inspection, core, word & ~1)
    if code is False:
        return "outside"
    if not word & 1:
        return "even"
    if code is True and is_erased_at(inspection, core.name, word & ~1):
        return "blank"
    return code if isinstance(code, Unchecked) else None


def _code_at(inspection: Inspection, core: Core, address: int) -> bool | Unchecked:
    """Whether ``core`` has code of any of its builds at ``address``, stored there or copied there."""
    plans = inspection.layout.builds_of(core.name)
    placed = [inspection.placed[plan.name] for plan in plans if plan.name in inspection.placed]
    if any(runs_from(inspection, each, address) for each in placed):
        return True
    located = locate(inspection.layout, address, core.name)
    if located is None:
        return False
    memory = located.memory
    if memory.kind == "rom" and not inspection.image.holds(Span(located.plain, 1)):
        return Unchecked(f"they lead into rom {memory.name}, of which the image does not hold these bytes")
    if memory.kind != "ram" or _is_foreign(inspection, core, located.plain):
        return False
    copied = {plan.name: _is_copied_to(inspection, plan, address) for plan in plans}
    if any(copied.values()):
        return True
    missing = [name for name, known in copied.items() if known is None]
    if not missing:
        return False
    files = " and ".join(f"build {name}" for name in missing)
    return Unchecked(f"they lead into RAM; whether code is copied there needs the ELF file of {files}")


def _is_foreign(inspection: Inspection, core: Core, plain: int) -> bool:
    """Whether a byte of RAM belongs to another core."""
    areas = [area for area in inspection.layout.areas if inspection.layout.span_of(area).holds(plain)]
    owners = [each.name for each in inspection.layout.cores.values() if set(areas) & set(each.ram)]
    return bool(owners) and core.name not in owners


def _is_copied_to(inspection: Inspection, plan: BuildPlan, address: int) -> bool | None:
    """Whether the build has stored bytes that its core uses at ``address``; None: not known."""
    build = inspection.builds.get(plan.name)
    if build is None or build.reason_for("run addresses"):
        return None
    return any(
        0 <= distance(inspection.layout, plan.core, segment.run_address, address) < len(segment.data)
        for segment in build.stored
    )


def cut_before_code(inspection: Inspection, table: VectorTable, handler: int) -> tuple[str, ...]:
    """A line where a handler is after the end of the image, in the area of its build, which is not given."""
    from gemel.inspection.altered.changed_bytes import cut_before

    located = locate(inspection.layout, handler, table.core.name)
    area = inspection.layout.span_of(table.plan.stored_in)
    if table.plan.name in inspection.builds or located is None or not area.holds(located.plain):
        return ()
    return cut_before(inspection, Span(located.plain, 1))


class TableEnd(NamedTuple):
    """How many whole words a vector table has, and what says so."""

    words: int
    by: str


def ends_before_interrupts(inspection: Inspection, table: VectorTable) -> TableEnd | None:
    """The end of a table of 16 words alone, which will do for as long as no code of the build enables an interrupt."""
    end = table_end(inspection, table) if words_after_table(inspection, table) else None
    if end is None or end.words != FIRST_INTERRUPT:
        return None
    from gemel.inspection.cores.implausible_handlers import may_enable_interrupts

    return None if may_enable_interrupts(inspection, table) else end


def table_end(inspection: Inspection, table: VectorTable) -> TableEnd | None:
    """By the object that starts where the table does, else the section that does; None if neither does.

    Without symbols, by code where the words of interrupts would be.
    """
    build = inspection.builds.get(table.plan.name)
    if build is None or build.symbols is None:
        return _end_by_code(inspection, table)
    start = table.placed.vector_address
    found = [
        symbol
        for symbol in build.symbols.objects_in(Span(start, 1))
        if symbol.kind != "function" and symbol.size >= 8
    ]
    if largest := max(found, key=lambda symbol: symbol.size, default=None):
        return TableEnd(largest.size // 4, f"the size of {largest.name} in {build.file}")
    for section in build.all_sections:
        if section.allocated and section.stored and section.span.start == start:
            return TableEnd(section.span.size // 4, f"the size of section {section.name} in {build.file}")
    return None


def _end_by_code(inspection: Inspection, table: VectorTable) -> TableEnd | None:
    """The end of a table that has no word for an interrupt: no handler is there, but code that the others lead to."""
    faults, _ = judged_words(inspection, table)
    at_fault = {index for indices in faults.values() for index in indices}
    later = range(FIRST_INTERRUPT, len(table.words))
    if not later or any(table.words[index] and index not in at_fault for index in later):
        return None
    from gemel.inspection.cores.implausible_handlers import is_code_after_exceptions

    if at_fault.isdisjoint(later) or not is_code_after_exceptions(inspection, table):
        return None
    return TableEnd(FIRST_INTERRUPT, "up to code that its handlers lead to")


def words_after_table(inspection: Inspection, table: VectorTable) -> list[int]:
    """The words at fault that the table does not have: something else follows it there."""
    end = table_end(inspection, table)
    if end is None or end.words >= len(table.words):
        return []
    faults, _ = judged_words(inspection, table)
    return sorted(index for indices in faults.values() for index in indices if index >= end.words)


def words_of_no_table(inspection: Inspection, table: VectorTable) -> frozenset[int]:
    """All words after the end of a table that is shorter than the layout says."""
    end = table_end(inspection, table)
    if end is None or not words_after_table(inspection, table):
        return frozenset()
    return frozenset(range(end.words, len(table.words)))
