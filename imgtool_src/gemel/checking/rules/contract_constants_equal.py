"""Rule ``contract-constants-equal``: every constant of a contract has one value in all builds."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.errors import BuildError
from gemel.inspection.contract_parties import Missing, debug_types, known_to_nobody, not_told, parties
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned
from gemel.layout.model import BuildPlan, Contract
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.placement.symbol_places import SymbolNotPlaced
from gemel.spans import format_address
from gemel.structs import NamedTuple

SIZES = (1, 2, 4, 8)
"""Bytes of an object that is read as a number."""


class Value(NamedTuple):
    """What a constant is in one build, and how that is known."""

    plan: BuildPlan
    number: int
    words: str


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome or more for each constant that a contract names."""
    if len(inspection.layout.builds) < 2:
        return
    for contract in inspection.layout.contracts.values():
        for name in contract.constants:
            yield from _constant(inspection, contract, name)


def _constant(inspection: Inspection, contract: Contract, name: str) -> Iterator[Outcome]:
    where = f"contract {contract.name}, {name}"
    found: list[Value] = []
    missing: list[Missing] = []
    findings: list[Finding] = []
    for plan in parties(inspection.layout):
        values = _values(inspection, plan, name)
        if isinstance(values, Missing):
            missing.append(values)
            continue
        found.append(values[0])
        if len(values) > 1:
            findings.append(_several(contract, where, values))
    told = ("constant", "the symbols and enumerators of", "a macro is in no build, an enumerator is")
    if not found and (nobody := known_to_nobody(inspection, contract, name, missing, *told)):
        yield nobody
        return
    unknown = list(not_told(where, missing, [each.plan for each in found]))
    yield from unknown
    unequal = [each for each in found[1:] if each.number != found[0].number]
    findings += [_unequal(contract, where, found[0], each) for each in unequal]
    yield from findings
    if not findings and len(found) > 1:
        yield Holds(f"{where}: {found[0].number} in builds {' and '.join(each.plan.name for each in found)}")
    elif not findings and not unknown:
        yield NotChecked(where, "the builds of a single core have it")


def _values(inspection: Inspection, plan: BuildPlan, name: str) -> list[Value] | Missing:
    """The values of a constant in one build, the first found first: of its symbol, else of enumerators."""
    build = inspection.builds.get(plan.name)
    why = ""
    if build is not None and build.symbols is not None:
        try:
            symbol = build.symbols.find(name)
        except BuildError as error:
            return Missing(plan, f"{error.problems[0].what}: {error.problems[0].found}", False)
        if symbol is not None and symbol.absolute:
            return [Value(plan, symbol.value, "an absolute symbol")]
        if symbol is not None and symbol.kind == "object":
            stored = _stored(inspection, plan, name, symbol.size)
            if isinstance(stored, Value):
                return [stored]
            why = stored
    types = debug_types(inspection, plan)
    if isinstance(types, Missing):
        return types._replace(reason=f"{why}; {types.reason}") if why else types
    try:
        numbers = types.constants(name)
    except BuildError as error:
        return Missing(plan, error.problems[0].found, False)
    if numbers:
        return [Value(plan, number, "by the debug information") for number in numbers]
    reason = why or f"it has neither a symbol nor an enumerator {name}"
    if types.elsewhere:
        return Missing(plan, f"{reason}; {types.elsewhere}", False)
    return Missing(plan, reason, not why)


def _stored(inspection: Inspection, plan: BuildPlan, name: str, size: int) -> Value | str:
    """The number that the image holds for an object, or why there is none."""
    if size not in SIZES:
        return f"its object {name} has {size} bytes, and a number has 1, 2, 4 or 8"
    try:
        span = inspection.symbols.span_of(plan.name, name)
    except SymbolNotPlaced as error:
        return str(error.problems[0].what)
    number = int.from_bytes(inspection.bytes_of(span), "little")
    return Value(plan, number, f"an object of {size} bytes at {format_address(span.start)} of the image")


def _in_words(value: Value) -> str:
    shown = f"{value.number}" + (f" ({value.number:#x})" if value.number > 9 else "")
    return f"{shown} in build {value.plan.name}, {value.words}"


def _several(contract: Contract, where: str, values: list[Value]) -> Finding:
    plan = values[0].plan
    return Finding(
        f"build {plan.name} itself has several values of a constant",
        concerned(plan.name, plan.core, contract.name),
        where=where,
        found=", ".join(str(value.number) for value in values),
        expected="one value in all its sources",
        next_step="build all of its sources from one header",
    )


def _unequal(contract: Contract, where: str, first: Value, each: Value) -> Finding:
    return Finding(
        f"builds {first.plan.name} and {each.plan.name} have different values of a constant",
        concerned(each.plan.name, first.plan.name, each.plan.core, first.plan.core, contract.name),
        where=where,
        found=_in_words(each),
        expected=_in_words(first),
    )


RULE = Rule(
    name="contract-constants-equal",
    severity="error",
    guards="device",
    checks="Each constant that a contract names has one value in all builds: of the symbol, as the image "
    "holds its bytes, or else of the enumerator, as the debug information shows.",
    why="A protocol's version, a number of frames or a code that only one side has changed makes one core "
    "wait for what the other never sends, or write past the end of what the other has set aside.",
    remedy="Build both sides from the same version of the header, and join only builds of one version.",
    source="common practice: what two programs must hold equal is compared, not assumed",
    absent="no contract names a constant, or the layout has a single build",
    check=check,
    only_with="contracts",
)
