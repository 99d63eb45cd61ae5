"""Rule ``handlers-in-code``: every handler behind the reset handler is code that its core runs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from gemel.checking.rule import Rule
from gemel.inspection.core_views import (
    ERASED_WORD,
    EXECUTE_NEVER,
    LOWEST_RETURN,
    described_word,
    distance,
    in_execute_never,
    run_span_as_seen,
    runs_from,
)
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.inspection.vector_tables import (
    named_words,
    place_of,
    reserved_words,
    tables,
    values_told,
    words_span,
)
from gemel.inspection.wording import counted
from gemel.layout.addresses import locate
from gemel.layout.model import BuildPlan, Core
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import Span
from gemel.structs import NamedTuple

Fault = Literal["erased", "return", "never", "outside", "even"]

WHAT: dict[Fault, str] = {
    "erased": "build {build} has erased words among its handlers",
    "return": "build {build} has exception return values among its handlers",
    "never": "build {build} has handlers where nothing is executed",
    "outside": "build {build} has handlers outside the code of core {core}",
    "even": "build {build} has handlers without the Thumb bit",
}


class Untold(NamedTuple):
    """Why it cannot be described_word whether there is code at an address."""

    reason: str


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build, or one for each kind of fault in its table, however many words it has."""
    for table in tables(inspection):
        if isinstance(table, NotChecked):
            yield table
            continue
        faults, untold = _judged(inspection, table)
        for fault, indices in faults.items():
            yield _finding(inspection, table, fault, indices)
        for reason, indices in untold.items():
            yield NotChecked(f"build {table.plan.name}, {named_words(indices)}", reason)
        if not faults and not untold:
            yield Holds(f"build {table.plan.name}")


def _judged(
    inspection: Inspection, table: VectorTable
) -> tuple[dict[Fault, list[int]], dict[str, list[int]]]:
    """The words that are at fault, by the fault, and those that cannot be described_word, by the reason."""
    faults: dict[Fault, list[int]] = {}
    untold: dict[str, list[int]] = {}
    skipped = reserved_words(table.core.architecture)
    for index, word in enumerate(table.words):
        if index < 2 or index in skipped or word == 0:
            continue
        fault = _fault(inspection, table.core, word)
        if isinstance(fault, Untold):
            untold.setdefault(fault.reason, []).append(index)
        elif fault:
            faults.setdefault(fault, []).append(index)
    return faults, untold


def _fault(inspection: Inspection, core: Core, word: int) -> Fault | Untold | None:
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
    return code if isinstance(code, Untold) else None


def _code_at(inspection: Inspection, core: Core, address: int) -> bool | Untold:
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
        return Untold(f"they lead into rom {memory.name}, of which the image does not hold these bytes")
    if memory.kind != "ram" or _is_foreign(inspection, core, located.plain):
        return False
    copied = {plan.name: _is_copied_to(inspection, plan, address) for plan in plans}
    if any(copied.values()):
        return True
    missing = [name for name, known in copied.items() if known is None]
    if not missing:
        return False
    files = " and ".join(f"build {name}" for name in missing)
    return Untold(f"they lead into RAM; whether code is copied there takes the ELF file of {files}")


def _is_foreign(inspection: Inspection, core: Core, plain: int) -> bool:
    """Whether a byte of RAM belongs to another core."""
    areas = [area for area in inspection.layout.areas if inspection.layout.span_of(area).holds(plain)]
    owners = [each.name for each in inspection.layout.cores.values() if set(areas) & set(each.ram)]
    return bool(owners) and core.name not in owners


def _is_copied_to(inspection: Inspection, plan: BuildPlan, address: int) -> bool | None:
    """Whether the build has stored bytes that its core uses at ``address``; None: cannot be described_word."""
    build = inspection.builds.get(plan.name)
    if build is None or build.reason_for("run addresses"):
        return None
    return any(
        0 <= distance(inspection.layout, plan.core, segment.run_address, address) < len(segment.data)
        for segment in build.stored
    )


def _finding(inspection: Inspection, table: VectorTable, fault: Fault, indices: list[int]) -> Finding:
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
        lines=values_told(inspection, table, indices) if others else (),
    )


def _expected(inspection: Inspection, table: VectorTable, fault: Fault) -> str:
    if fault == "even":
        return "the same address with bit 0 set"
    if fault == "never":
        closed = " and ".join(map(str, EXECUTE_NEVER))
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
    checks="Every word of a vector table that the core's architecture uses, behind the first two, is zero "
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
