"""What both cores share and an old and a new build lay out differently."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.contract.comparison import TypeComparison
from gemel.checking.contract.picture import side_by_side
from gemel.checking.contract.rows import rows_of
from gemel.comparing.changes import ContractBreak
from gemel.errors import BuildError
from gemel.inspection.contract.constants import constant_values
from gemel.inspection.contract.parties import (
    DefinedSymbol,
    DefinedType,
    Missing,
    defined_symbol,
    defined_type,
    parties,
)
from gemel.inspection.contract.shared_objects import types_in_symbol
from gemel.inspection.inspection import Inspection
from gemel.layout.model import BuildPlan, Contract

NAMES = ("old", "new")


def contract_breaks(old: Inspection, new: Inspection) -> Iterator[ContractBreak | str]:
    """A break for each shared type, symbol or constant that changed; a text for what could not be compared."""
    for contract in new.layout.contracts.values():
        for plan in parties(new.layout):
            if plan.name in old.builds and plan.name in new.builds:
                yield from _of_build(old, new, contract, plan)
            elif contract.types or contract.symbols:
                given = "old:" if plan.name not in old.builds else ""
                yield f"contract {contract.name} in build {plan.name}: needs {given}{plan.name}=FILE.elf"


def _of_build(
    old: Inspection, new: Inspection, contract: Contract, plan: BuildPlan
) -> Iterator[ContractBreak | str]:
    broken = []
    for spelling in contract.types:
        sides = defined_type(old, plan, spelling), defined_type(new, plan, spelling)
        if isinstance(sides[0], DefinedType) and isinstance(sides[1], DefinedType):
            found = list(_type(sides[0], sides[1], contract, spelling))
            broken += [f"contract {contract.name}, {spelling}"] if found else []
            yield from found
        elif all(not isinstance(side, DefinedType) and side.absent for side in sides):
            continue
        else:
            reason = next(side.reason for side in sides if not isinstance(side, DefinedType))
            which = "old" if not isinstance(sides[0], DefinedType) else "new"
            yield f"{spelling} of contract {contract.name} in {which} build {plan.name}: {reason}"
    for name in contract.symbols:
        before, after = defined_symbol(old, plan, name), defined_symbol(new, plan, name)
        if isinstance(before, DefinedSymbol) and isinstance(after, DefinedSymbol):
            one, other = before.symbol.span, after.symbol.span
            if one.start != other.start or (one != other and not _in_types(new, after, broken)):
                yield ContractBreak(contract.name, name, plan.name, (f"old: {one}", f"new: {other}"))
    for name in contract.constants:
        values = constant_values(old, plan, name), constant_values(new, plan, name)
        numbers = [[each.number for each in side] for side in values if not isinstance(side, Missing)]
        if len(numbers) == 2 and numbers[0] != numbers[1]:
            lines = (f"old: {numbers[0][0]}", f"new: {numbers[1][0]}")
            yield ContractBreak(contract.name, name, plan.name, lines)


def _in_types(new: Inspection, symbol: DefinedSymbol, broken: list[str]) -> bool:
    """Whether the size of a symbol follows from a type that changed and is listed itself."""
    return any(where in broken for _, where in types_in_symbol(new, symbol))


def _type(
    before: DefinedType, after: DefinedType, contract: Contract, spelling: str
) -> Iterator[ContractBreak | str]:
    comparison = TypeComparison(before.types, after.types, contract.follow_pointers)
    one, other = before.references[0], after.references[0]
    try:
        if not comparison.same(one, other):
            lines = side_by_side(rows_of(comparison, one, other, spelling), NAMES)
            yield ContractBreak(contract.name, spelling, after.plan.name, lines)
    except BuildError as error:
        yield f"{spelling} of contract {contract.name}: {error.problems[0].found}"
