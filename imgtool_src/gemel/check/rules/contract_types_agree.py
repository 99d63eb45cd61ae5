"""Rule ``contract-types-agree``: every type of a contract has one layout in all builds."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.check.contract_parties import DefinedType, Missing, defined_type, not_told, parties
from gemel.check.rule import Finding, Holds, NotChecked, Outcome, Rule
from gemel.check.subject import Subject
from gemel.check.wording import concerned
from gemel.errors import BuildError
from gemel.layout.model import Contract


def check(subject: Subject) -> Iterator[Outcome]:
    """One outcome or more for each type that a contract names."""
    if len(subject.layout.builds) < 2:
        return
    for contract in subject.layout.contracts.values():
        for spelling in contract.types:
            yield from _type(subject, contract, spelling)


def _type(subject: Subject, contract: Contract, spelling: str) -> Iterator[Outcome]:
    where = f"contract {contract.name}, {spelling}"
    found: list[DefinedType] = []
    missing: list[Missing] = []
    for plan in parties(subject.layout):
        answer = defined_type(subject, plan, spelling)
        if isinstance(answer, Missing):
            missing.append(answer)
        else:
            found.append(answer)
    if missing and not found and all(each.absent for each in missing):
        yield _unknown(subject, contract, spelling, where, missing)
        return
    unknown = list(not_told(where, missing, [each.plan for each in found]))
    yield from unknown
    try:
        findings = list(_findings(found, contract, spelling, where))
    except BuildError as error:
        yield NotChecked(where, error.problems[0].found)
        return
    yield from findings
    if not findings and len(found) > 1:
        yield Holds(f"{where} in builds {' and '.join(each.plan.name for each in found)}")
    elif not findings and not unknown:
        yield NotChecked(where, "the builds of a single core define it")


def _unknown(
    subject: Subject, contract: Contract, spelling: str, where: str, missing: list[Missing]
) -> Finding:
    """A name that no build knows, though all of them can be read: likely misspelt."""
    plans = [each.plan for each in missing]
    files = [f"build {plan.name} ({subject.builds[plan.name].file})" for plan in plans]
    near = list(dict.fromkeys(name for each in missing for name in each.near))
    return Finding(
        f"no build defines {spelling}",
        concerned(contract.name, *(plan.name for plan in plans), *(plan.core for plan in plans)),
        where,
        f"no such type in the debug information of {' and '.join(files)}",
        "a type that the builds of two cores define",
        next_step=f"name the type as one of these: {', '.join(near)}"
        if near
        else "name the type as its source does, or take it out of the contract if nothing uses it: compilers "
        "leave out what no source uses",
    )


def _findings(found: list[DefinedType], contract: Contract, spelling: str, where: str) -> Iterator[Finding]:
    from gemel.check.contract_types import unlike, unlike_in_one_build

    for each in found:
        yield from unlike_in_one_build(each, spelling, where, contract.follow_pointers)
    for each in found[1:]:
        yield from unlike(found[0], each, spelling, where, contract.follow_pointers)


RULE = Rule(
    name="contract-types-agree",
    severity="error",
    checks="Each type that a contract names is known to a build, and has in every build the same size, and "
    "every member the same name, offset, size, encoding, array bounds and bit field, every enumeration the "
    "same size, sign and values, as the debug information of each build tells, in every type inside of it "
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
)
