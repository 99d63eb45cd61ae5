"""Rule ``contract-types-agree``: every type of a contract has one layout in all builds."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.errors import BuildError
from gemel.inspection.contract.parties import (
    DefinedType,
    answers,
    defined_in_any_scope,
    defined_type,
    known_to_nobody,
    unanswered,
)
from gemel.inspection.contract.shared_objects import contract_types_inside
from gemel.inspection.inspection import Inspection
from gemel.layout.model import Contract, Layout
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.structs import replace


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome or more for each type that a contract names."""
    if len(inspection.layout.builds) < 2:
        return
    for contract in inspection.layout.contracts.values():
        for spelling in contract.types:
            yield from _type(inspection, contract, spelling)


def _type(inspection: Inspection, contract: Contract, spelling: str) -> Iterator[Outcome]:
    where = f"contract {contract.name}, {spelling}"
    found, missing = answers(inspection, lambda plan: defined_type(inspection, contract, plan, spelling))
    if found and missing:
        found, missing = answers(
            inspection, lambda plan: defined_in_any_scope(inspection, contract, plan, spelling)
        )
    terms = ("type", "the debug information of", "compilers leave out what no source uses")
    if not found and (nobody := known_to_nobody(inspection, contract, spelling, missing, *terms)):
        yield nobody
        return
    unknown = list(unanswered(where, missing, [each.plan for each in found]))
    yield from unknown
    try:
        findings = list(_findings(inspection.layout, found, contract, spelling, where))
    except BuildError as error:
        yield NotChecked(where, error.problems[0].found)
        return
    yield from findings
    if not findings and len(found) > 1:
        yield Holds(f"{where} in builds {' and '.join(each.plan.name for each in found)}")
    elif not findings and not unknown:
        yield NotChecked(where, "the builds of a single core define it")


def _findings(
    layout: Layout, found: list[DefinedType], contract: Contract, spelling: str, where: str
) -> Iterator[Finding]:
    if not found:
        return
    from gemel.checking.contract.types import not_for_others, unlike, unlike_in_one_build

    alone = [finding for each in found for finding in not_for_others(each, spelling, where)]
    if alone and len(found) > 1:
        yield from alone
        return
    for each in found:
        yield from unlike_in_one_build(each, spelling, where, contract.follow_pointers)
    own = ("contract-types-agree", where)
    for each in found[1:]:
        for finding in unlike(found[0], each, spelling, where, contract.follow_pointers):
            inside = contract_types_inside(layout, each.types, each.references)
            yield replace(finding, follows_from=tuple(cause for cause in inside if cause != own))


RULE = Rule(
    name="contract-types-agree",
    severity="error",
    guards="device",
    checks="Each type that a contract names is known to a build, and has in every build the same size, and "
    "every member the same name, offset, size, encoding, array bounds and bit field, every enumeration the "
    "same size, sign and values, as the debug information of each build shows, in every type inside it "
    "and, where the contract says follow_pointers, in what its pointers point at.",
    why="Each core reads at the offsets that its own compiler chose. Where these differ, by an option for "
    "enumerations or packing, by an older copy of a header, or by another member in between, one core reads "
    "the tail of one value and the head of the next; nothing faults, and the numbers are merely wrong.",
    remedy="Build both sides from one header with the same options for enumerations, packing and alignment; "
    "in what is shared use types of fixed width, and an integer instead of an enumeration.",
    source="ADDENDA32, tag ABI_enum_size (section of build attributes): data that is shared must have one "
    "layout; DWARF 5, section 5, for how it is read",
    absent="no contract names a type, or the layout has a single build",
    check=check,
    only_with="contracts",
)
