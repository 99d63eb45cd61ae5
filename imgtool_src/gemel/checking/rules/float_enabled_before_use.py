"""Rule ``float-enabled-before-use``: code enables the floating-point unit before it uses it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.checking.rule import Rule
from gemel.inspection.cores.code_settings import CoreCode, core_code
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned
from gemel.m_profile.code.known_registers import CPACR
from gemel.outcomes import NOT_FOUND, Finding, Holds, NotChecked, Outcome
from gemel.spans import Span, format_address

if TYPE_CHECKING:
    from gemel.inspection.code.first_float import FirstFloat

FLOATING = frozenset({"fp", "fp-double", "mve", "mve-fp"})
"""Extensions whose instructions need access to coprocessors 10 and 11."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build for a core that has such a unit."""
    for core in core_code(inspection):
        name = core.where.removeprefix("build ") if isinstance(core, NotChecked) else core.plan.name
        if not FLOATING.intersection(inspection.layout.cores[inspection.layout.builds[name].core].extensions):
            continue
        if isinstance(core, NotChecked):
            yield core
            continue
        if inspection.vector_table(name) is None:
            yield NotChecked(f"build {name}", NOT_FOUND)
            continue
        yield _outcome(inspection, core)


def _outcome(inspection: Inspection, core: CoreCode) -> Outcome:
    """What of its code uses the unit before that is enabled, or right after; what the run does not show."""
    from gemel.inspection.code.first_float import first_float, may_use_float

    name = core.plan.name
    run, code = inspection.start_runs.get(name), inspection.mapped_code.get(name)
    if code and may_use_float(code) and not (run and run.enables_float):
        is_never_enabled = _is_never_enabled(inspection, core)
        if found := first_float(core.build, run, code, is_never_enabled=is_never_enabled):
            return _finding(core, found)
        if not is_never_enabled and (run is None or run.why_not):
            why = run.why_not if run else "its reset handler is not known"
            return NotChecked(
                f"build {name}", f"what its start-up code does before it enables the unit: {why}"
            )
    return _without_barrier(core) or Holds(f"build {name}")


def _is_never_enabled(inspection: Inspection, core: CoreCode) -> bool:
    """Whether no code of a build's core may enable the unit."""
    from gemel.inspection.code.first_float import enables_float

    layout, settings = inspection.layout, inspection.core_settings
    plans = [name for name, plan in layout.builds.items() if plan.core == core.plan.core]
    stores = [each.store for name in plans for each in settings.get(name, ()) if each.store.target == CPACR]
    return not any(map(enables_float, stores)) and all(name in inspection.builds for name in plans)


def _without_barrier(core: CoreCode) -> Finding | None:
    """What comes right after a store that enables the unit, in one stretch of code."""
    from gemel.inspection.code.first_float import enables_float, float_right_after

    for setting in core.of(CPACR):
        at = float_right_after(core.build, setting.store) if enables_float(setting.store) else None
        if at is not None:
            return Finding(
                f"code of build {core.plan.name} uses the floating-point unit without an ISB after it enables it",
                concerned(core.plan.name, core.plan.core),
                where=f"build {core.plan.name} ({core.build.file}), {format_address(at)}",
                found=f"a floating-point instruction, right after the store to CPACR at {setting.place}",
                expected="a DSB and an ISB between the two",
                next_step="write a DSB and an ISB after the store to CPACR (__DSB, __ISB)",
                span=Span(at, 4),
            )
    return None


def _finding(core: CoreCode, found: FirstFloat) -> Finding:
    from gemel.inspection.code.first_float import enables_float

    stores = core.of(CPACR)
    enabling = [each.place for each in stores if enables_float(each.store)]
    later = "no store to CPACR is known"
    if enabling:
        later = f"only at {', '.join(enabling[:4])}, which does not come before it"
    elif stores:
        places = ", ".join(each.place for each in stores[:4])
        later = f"the store to CPACR at {places} does not give access to both"
    plan = core.plan
    return Finding(
        f"code of build {plan.name} uses the floating-point unit before it enables it",
        concerned(plan.name, plan.core),
        where=f"build {plan.name} ({core.build.file}), {format_address(found.at)} ({found.function})",
        found=f"a floating-point instruction; {later}",
        expected="access to coprocessors 10 and 11 (CPACR, 0xE000_ED88) before it, and a DSB and an ISB",
        span=Span(found.at, 4),
        follows_from=(("reset-handler-in-code", plan.name), ("vector-table-not-blank", plan.name)),
    )


RULE = Rule(
    name="float-enabled-before-use",
    severity="warning",
    guards="device",
    checks="From its reset handler on, as its run shows, code of a core with a floating-point unit stores to the "
    "coprocessor access register before the first floating-point instruction, and no such instruction follows on the "
    "store in one stretch of code without an ISB; where no code enables the unit, no function that something leads to "
    "holds one.",
    why="After reset the unit is switched off, and its first instruction faults; so may one that the core has fetched "
    "before the store takes effect. Compilers use its registers for "
    "copies and saves, so that a function without floating-point arithmetic may fault too; after a debugger "
    "has run another image the unit may still be on.",
    remedy="Enable the unit at the very start of the reset handler, in a function that is compiled without floating "
    "point, or in assembly.",
    source="Armv7-M Architecture Reference Manual, section B3.2.20, CPACR, and section A3.7.3, ISB (from memory)",
    absent="no core has a floating-point unit, by its extensions in the layout",
    check=check,
)
