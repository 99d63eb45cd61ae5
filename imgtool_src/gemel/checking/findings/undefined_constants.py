"""Constants of contracts that the build they are of does not define."""

from __future__ import annotations

from collections.abc import Iterable

from gemel.builds.build import Build
from gemel.errors import nearest_hint
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned
from gemel.layout.model import BuildPlan, Contract
from gemel.outcomes import Finding
from gemel.placement.places import SymbolNotPlaced


def is_lacking(inspection: Inspection, build: Build, symbol: str) -> bool:
    """Whether a symbol is not there and should be: another is called nearly so, or nothing else shows its value."""
    names = {each.name for each in build.symbols.all() if each.defined} if build.symbols else set()
    if symbol in names:
        return False
    return bool(nearest_hint(symbol, sorted(names))) or not _writes_address(inspection, build.name)


def _writes_address(inspection: Inspection, name: str) -> bool:
    """Whether code of a build is known to write an address to a vector register, which release-value-agrees judges.

    A compiler that knows the constant's value leaves the constant itself out.
    """
    from gemel.inspection.cores.code_settings import CoreCode, chosen_stores, core_code

    registers = [core.release.vector_register for core in inspection.layout.secondaries() if core.release]
    return any(
        any(each.store.value is not None for each in code.of(register))
        or chosen_stores(inspection, name, register)
        for code in core_code(inspection)
        if isinstance(code, CoreCode) and code.plan.name == name
        for register in registers
    )


def not_defined(contract: Contract, error: SymbolNotPlaced, plans: Iterable[BuildPlan]) -> Finding:
    """A name that the build, whose symbols can be read, does not have: misspelt, or left out by the linker."""
    boot, problem = contract.boot_symbol, error.problems[0]
    name, symbol = (boot.build, boot.symbol) if boot else ("", "")
    return Finding(
        f"build {name} does not define {symbol}, by which contract {contract.name} has it send a core to its vectors",
        concerned(contract.name, name, *(each for plan in plans for each in (plan.core, plan.name))),
        where=f"contract {contract.name}, boot_symbol",
        found=f"{problem.found} in {problem.where}",
        expected="a constant with the address of a vector table",
        next_step=problem.next_step,
    )
