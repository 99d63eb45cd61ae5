"""What a rule says of each build, vector table or record that shows what it asks of them, and why others do not."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING

from gemel.builds.build import Aspect, Build
from gemel.inspection.cores.vector_tables import tables
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.inspection.wording import needs_elf, record_not_sound
from gemel.layout.model import BuildPlan, RecordPlan
from gemel.outcomes import NotChecked, Outcome

if TYPE_CHECKING:
    from gemel.record.record import Record


def builds_that_state(
    inspection: Inspection, asked: Aspect, plans: Iterable[BuildPlan] | None = None
) -> Iterator[tuple[BuildPlan, Build] | NotChecked]:
    """Each build of the layout (or of ``plans``) that shows ``asked``; for each other why not."""
    for plan in inspection.layout.builds.values() if plans is None else plans:
        build = inspection.builds.get(plan.name)
        reason = needs_elf(plan.name, build, asked)
        if build is None or reason:
            yield NotChecked(f"build {plan.name}", reason)
        else:
            yield plan, build


RuleCheck = Callable[[Inspection], Iterator[Outcome]]
"""What a rule checks."""


def of_each_build(
    asked: Aspect, plans: Callable[[Inspection], Iterable[BuildPlan]] | None = None
) -> Callable[[Callable[[Inspection, BuildPlan, Build], Iterator[Outcome]]], RuleCheck]:
    """A rule's check, made of what it says of one build that shows ``asked``; of each other it says why not."""

    def made(of_build: Callable[[Inspection, BuildPlan, Build], Iterator[Outcome]]) -> RuleCheck:
        def check(inspection: Inspection) -> Iterator[Outcome]:
            for stated in builds_that_state(inspection, asked, plans(inspection) if plans else None):
                if isinstance(stated, NotChecked):
                    yield stated
                else:
                    yield from of_build(inspection, *stated)

        return check

    return made


def of_each_table(of_table: Callable[[Inspection, VectorTable], Iterator[Outcome]]) -> RuleCheck:
    """A rule's check, made of what it says of one vector table; of each that cannot be looked at it says why."""

    def check(inspection: Inspection) -> Iterator[Outcome]:
        for table in tables(inspection):
            if isinstance(table, NotChecked):
                yield table
            else:
                yield from of_table(inspection, table)

    return check


def of_record(of: Callable[[Inspection, RecordPlan, Record], Iterator[Outcome]]) -> RuleCheck:
    """A rule's check, made of what it says of a sound record; where the record is not sound it says so."""

    def check(inspection: Inspection) -> Iterator[Outcome]:
        plan, record = inspection.layout.record, inspection.record
        if plan and record:
            yield from of(inspection, plan, record)
        elif plan:
            yield NotChecked("record", record_not_sound())

    return check
