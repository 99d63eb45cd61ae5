"""What the constants of a contract are in each build: of a symbol, as the image holds its bytes, or an enumerator."""

from __future__ import annotations

from gemel.errors import BuildError
from gemel.inspection.contract.parties import Missing, own_types
from gemel.inspection.inspection import Inspection
from gemel.layout.model import BuildPlan, Contract
from gemel.placement.places import SymbolNotPlaced
from gemel.spans import format_address
from gemel.structs import NamedTuple

SIZES = (1, 2, 4, 8)
"""Bytes of an object that is read as a number."""


class ConstantValue(NamedTuple):
    """What a constant is in one build, and how that is known."""

    plan: BuildPlan
    number: int
    words: str


def constant_values(
    inspection: Inspection, contract: Contract, plan: BuildPlan, name: str
) -> list[ConstantValue] | Missing:
    """The values of a constant in one build, the first found first: of its symbol, else of enumerators."""
    build = inspection.builds.get(plan.name)
    why = ""
    if build is not None and build.symbols is not None:
        try:
            symbol = build.symbols.find(name)
        except BuildError as error:
            return Missing(plan, f"{error.problems[0].what}: {error.problems[0].found}", False)
        if symbol is not None and symbol.absolute:
            return [ConstantValue(plan, symbol.value, "an absolute symbol")]
        if symbol is not None and symbol.kind == "object":
            stored = _stored(inspection, plan, name, symbol.size)
            if isinstance(stored, ConstantValue):
                return [stored]
            why = stored
    types = own_types(inspection, contract, plan)
    if isinstance(types, Missing):
        return types._replace(reason=f"{why}; {types.reason}") if why else types
    try:
        numbers = types.constants(name)
    except BuildError as error:
        return Missing(plan, error.problems[0].found, False)
    if numbers:
        return [ConstantValue(plan, number, "by the debug information") for number in numbers]
    reason = why or f"it has neither a symbol nor an enumerator {name}"
    if types.elsewhere:
        return Missing(plan, f"{reason}; {types.elsewhere}", False)
    return Missing(plan, reason, not why)


def _stored(inspection: Inspection, plan: BuildPlan, name: str, size: int) -> ConstantValue | str:
    """The number that the image holds for an object, or why there is none."""
    if size not in SIZES:
        return f"its object {name} has {size} bytes, and a number has 1, 2, 4 or 8"
    try:
        span = inspection.symbols.span_of(plan.name, name)
    except SymbolNotPlaced as error:
        return str(error.problems[0].what)
    number = int.from_bytes(inspection.bytes_of(span), "little")
    return ConstantValue(
        plan, number, f"an object of {size} bytes at {format_address(span.start)} of the image"
    )
