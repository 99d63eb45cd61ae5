"""Rule ``contract-constants-equal``: every constant of a contract has one value in all builds."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.contract.constants import ConstantValue, constant_values
from gemel.inspection.contract.parties import answers, known_to_nobody, unanswered
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned
from gemel.layout.model import Contract
from gemel.outcomes import Finding, Holds, NotChecked, Outcome


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome or more for each constant that a contract names."""
    if len(inspection.layout.builds) < 2:
        return
    for contract in inspection.layout.contracts.values():
        for name in contract.constants:
            yield from _constant(inspection, contract, name)


def _constant(inspection: Inspection, contract: Contract, name: str) -> Iterator[Outcome]:
    where = f"contract {contract.name}, {name}"
    values_of_each, missing = answers(
        inspection, lambda plan: constant_values(inspection, contract, plan, name)
    )
    found = [values[0] for values in values_of_each]
    findings = [_several(contract, where, values) for values in values_of_each if len(values) > 1]
    terms = ("constant", "the symbols and enumerators of", "a macro is in no build, an enumerator is")
    if not found and (nobody := known_to_nobody(inspection, contract, name, missing, *terms)):
        yield nobody
        return
    unknown = list(unanswered(where, missing, [each.plan for each in found]))
    yield from unknown
    unequal = [each for each in found[1:] if each.number != found[0].number]
    findings += [_unequal(contract, where, found[0], each) for each in unequal]
    yield from findings
    if not findings and len(found) > 1:
        yield Holds(f"{where}: {found[0].number} in builds {' and '.join(each.plan.name for each in found)}")
    elif not findings and not unknown:
        yield NotChecked(where, "the builds of a single core have it")


def _in_words(value: ConstantValue) -> str:
    shown = f"{value.number}" + (f" ({value.number:#x})" if value.number > 9 else "")
    return f"{shown} in build {value.plan.name}, {value.words}"


def _several(contract: Contract, where: str, values: list[ConstantValue]) -> Finding:
    plan = values[0].plan
    return Finding(
        f"build {plan.name} itself has several values for a constant",
        concerned(plan.name, plan.core, contract.name),
        where=where,
        found=", ".join(str(value.number) for value in values),
        expected="one value in all its sources",
        next_step="compile all of its sources with one header",
    )


def _unequal(contract: Contract, where: str, first: ConstantValue, each: ConstantValue) -> Finding:
    """Two values of a constant; further ones, and other types too, come from another version of one header."""
    name = where.removeprefix(f"contract {contract.name}, ")
    return Finding(
        f"builds {first.plan.name} and {each.plan.name} have different values of {name}",
        concerned(each.plan.name, first.plan.name, each.plan.core, first.plan.core, contract.name),
        where=where,
        found=_in_words(each),
        expected=_in_words(first),
        follows_from=(("contract-types-agree", contract.name), (RULE.name, contract.name)),
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
