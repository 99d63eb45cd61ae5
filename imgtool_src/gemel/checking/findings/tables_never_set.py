"""Builds that other code of their core goes on to, while nothing sets the vector table to theirs."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.inspection.cores.code_settings import CoreCode
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned
from gemel.m_profile.code.known_registers import STACK_FROM, VTOR, VTOR_NS
from gemel.outcomes import Finding
from gemel.spans import Span, format_address


def never_set(inspection: Inspection, codes: list[CoreCode]) -> Iterator[Finding]:
    """The builds with handlers of their own, whose exceptions the code that goes on to them would take.

    Only where all code of the core is given, and none of it may store to VTOR.
    """
    layout = inspection.layout
    for core in layout.cores.values():
        of_core = [code for code in codes if code.plan.core == core.name]
        if core.architecture == "armv6-m" or len(of_core) != len(layout.builds_of(core.name)):
            continue  # Armv6-M need not have the register: its devices show other memory at 0 instead
        for code in of_core:
            starting = [
                other for other in of_core if other is not code and _goes_on_to(inspection, other, code)
            ]
            if starting and _has_handlers(inspection, code) and not _may_set(inspection, of_core):
                yield _finding(inspection, starting[0], code)


def _goes_on_to(inspection: Inspection, code: CoreCode, other: CoreCode) -> bool:
    """Whether code takes its stack pointer from the vector table of the other build."""
    placed = inspection.placed.get(other.plan.name)
    if placed is None:
        return False
    run = inspection.start_runs.get(code.plan.name)
    taken = {each.store.value for each in code.of(STACK_FROM)} | {
        stack for _, stack, _ in (run.jumps if run else ())
    }
    return placed.vector_address in taken


def _has_handlers(inspection: Inspection, code: CoreCode) -> bool:
    """Whether the table has more than one default handler, and one of them is not the other build's."""
    table = inspection.vector_table(code.plan.name)
    return table is not None and len({word for word in table.words[2:] if word}) > 1


def _may_set(inspection: Inspection, codes: list[CoreCode]) -> bool:
    from gemel.inspection.code.core_settings import why_may_write

    if any(memory.kind == "rom" for memory in inspection.layout.memories.values()):
        return True
    registers = (VTOR, VTOR_NS)
    return any(code.of(each) for code in codes for each in registers) or any(
        why_may_write(code.build, each) for code in codes for each in registers
    )


def _finding(inspection: Inspection, first: CoreCode, code: CoreCode) -> Finding:
    name, core = code.plan.name, code.plan.core
    own = inspection.placed[name].vector_address
    return Finding(
        f"nothing sets the vector table of core {core} to that of build {name}",
        concerned(name, first.plan.name, core),
        where=f"build {first.plan.name} ({first.build.file}), which goes on to build {name}",
        found="no store to VTOR (0xE000_ED08), and none to an address that is computed in a way which may lead there: "
        f"exceptions of build {name} go to handlers of build {first.plan.name}",
        expected=f"VTOR set to {format_address(own)} before the first exception of build {name}",
        span=Span(own, 4),
        next_step=f"write {format_address(own)} to VTOR in build {first.plan.name} before it goes on, or at the start "
        f"of build {name}",
    )
