"""Rule ``shared-symbols-agree``: what two builds have in shared areas by one name or in one place is one thing."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.build_evidence import builds_that_state
from gemel.checking.rule import Rule
from gemel.errors import BuildError
from gemel.inspection.contract.parties import DefinedType, Missing, debug_types, parties
from gemel.inspection.contract.shared_objects import (
    SharedObject,
    all_shared_objects,
    contract_types_inside,
    overlaps_in_part,
    shared_areas,
    shared_objects,
)
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, in_short, in_source, lines_in_short, sized
from gemel.layout.model import Layout
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import Span, format_address
from gemel.structs import replace

PADDING = 8
"""Fewer bytes by which one object ends after another are what a type or an array was rounded up by."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each name that two builds have in shared areas, as far as no contract names it.

    One finding for each two builds whose objects of other names overlap in part.
    """
    layout = inspection.layout
    if len(layout.builds) < 2 or not shared_areas(layout):
        return
    first_of: dict[str, SharedObject] = {}
    earlier: list[list[SharedObject]] = []
    for stated in builds_that_state(inspection, "symbols", parties(layout)):
        if isinstance(stated, NotChecked):
            yield stated
            continue
        plan, build = stated
        findings: list[Finding] = []
        for name, each in shared_objects(layout, plan, build).items():
            first = first_of.setdefault(name, each)
            if first is each or first.of.plan.core == plan.core:
                continue
            for outcome in _pair(inspection, name, first, each):
                if isinstance(outcome, Finding):
                    findings.append(outcome)
                else:
                    yield outcome
        objects = list(all_shared_objects(layout, plan, build))
        for others in earlier:
            for outcome in _in_one_place(layout, others, objects):
                if isinstance(outcome, Finding):
                    findings.append(outcome)
                else:
                    yield outcome
        earlier.append(objects)
        yield from in_short(findings)


def _pair(inspection: Inspection, name: str, first: SharedObject, each: SharedObject) -> Iterator[Outcome]:
    builds = f"builds {first.of.plan.name} and {each.of.plan.name}"
    where = f"{in_source(name)} in {builds}"
    symbols = {symbol for contract in inspection.layout.contracts.values() for symbol in contract.symbols}
    named = symbols if name in symbols or in_source(name) not in symbols else {name}
    findings = [] if name in named else list(_places(where, builds, first, each))
    if findings:
        yield from findings
        return
    left, right = _type_of(inspection, name, first), _type_of(inspection, name, each)
    for side in (left, right):
        if isinstance(side, Missing):
            yield NotChecked(f"the type of {name}, build {side.plan.name}", side.reason)
            return
    if not isinstance(left, DefinedType) or not isinstance(right, DefinedType):
        return
    from gemel.checking.contract.types import not_for_others, unlike

    try:
        stated = _compares(inspection.layout, left, right)
        if stated and name in named:
            return
        label = left.types.declared(left.references[0], name)
        findings = [found for side in (left, right) for found in not_for_others(side, label, where)]
        causes = contract_types_inside(inspection.layout, left.types, left.references)
        findings = findings or [
            replace(each, follows_from=causes) for each in unlike(left, right, label, where, False)
        ]
    except BuildError as error:
        yield NotChecked(f"the type of {where}", error.problems[0].found)
        return
    if not stated:
        yield from findings
    if not findings:
        yield Holds(where)


def _compares(layout: Layout, left: DefinedType, right: DefinedType) -> bool:
    """Whether a contract names the very type of both sides, or of equally many elements, by whatever name."""
    from gemel.checking.contract.comparison import bounds_of, elements_of

    mine, theirs = (_bare(each, each.references[0]) for each in (left, right))
    many = [elements_of(each.types, each.references[0]) for each in (left, right)]
    if bounds_of(many[0]) == bounds_of(many[1]) and many[0].counts:
        mine, theirs = (_bare(side, each.type) for side, each in zip((left, right), many, strict=True))
    for spelling in {spelling for contract in layout.contracts.values() for spelling in contract.types}:
        if mine in _resolved(left, spelling) and theirs in _resolved(right, spelling):
            return True
    return False


def _resolved(side: DefinedType, spelling: str) -> set[int | None]:
    return {_bare(side, each) for each in side.types.named(spelling)}


def _bare(side: DefinedType, reference: int) -> int | None:
    """The type without names, qualifiers and what C++ and Rust wrap around it."""
    from gemel.checking.contract.wrappers import Found, unwrapped

    found = Found(*side.types.resolved(reference))
    wrapped = side.types.language_of(reference) not in ("C", "")
    return unwrapped(side.types, found).reference if wrapped else found.reference


def _type_of(inspection: Inspection, name: str, each: SharedObject) -> DefinedType | Missing:
    plan = each.of.plan
    types = debug_types(inspection, plan)
    if isinstance(types, Missing):
        return types
    try:
        references = types.variables(name)
    except BuildError as error:
        return Missing(plan, error.problems[0].found, False)
    if not references:
        reason = f"its debug information does not describe {name}"
        return Missing(plan, f"{reason}; {types.elsewhere}" if types.elsewhere else reason, True)
    return DefinedType(plan, each.of.build, types, references)


def _places(where: str, builds: str, first: SharedObject, each: SharedObject) -> Iterator[Finding]:
    mine, theirs = first.of, each.of
    if mine.plain is None or theirs.plain is None:
        return
    same_size = mine.symbol.size == theirs.symbol.size or not (mine.symbol.size and theirs.symbol.size)
    if mine.plain.start == theirs.plain.start and same_size:
        return
    what = "at different places" if mine.plain.start != theirs.plain.start else "in different sizes"
    yield Finding(
        f"{builds} have {in_source(theirs.symbol.name)} {what} in their shared areas",
        concerned(theirs.plan.name, mine.plan.name, theirs.plan.core, mine.plan.core, each.area, first.area),
        where=where,
        found=f"{sized(theirs.plain)} in build {theirs.plan.name} ({theirs.build.file})",
        expected=f"{sized(mine.plain)} as in build {mine.plan.name} ({mine.build.file})",
        span=theirs.plain,
        next_step="if it is one object, name it in a contract and fix its place in both linker scripts; if not, give "
        "the two different names",
        lines=_seen(mine.symbol.address, theirs.symbol.address, each),
    )


def _in_one_place(layout: Layout, left: list[SharedObject], right: list[SharedObject]) -> Iterator[Outcome]:
    """One finding for all that overlaps in two builds of different cores, since what moved pushed the next."""
    names = {each.of.symbol.name for each in left} & {each.of.symbol.name for each in right}
    left, right = ([each for each in side if each.of.symbol.name not in names] for side in (left, right))
    if not left or not right or left[0].of.plan.core == right[0].of.plan.core:
        return
    pairs = list(overlaps_in_part(left, right))
    builds = f"builds {left[0].of.plan.name} and {right[0].of.plan.name}"
    if not pairs:
        yield Holds(f"objects of other names in {builds}")
        return
    (mine, theirs), *others = pairs
    yield Finding(
        f"{builds} have different objects in one place of area {theirs.area}",
        concerned(
            *(name for each in (theirs, mine) for name in (each.of.plan.name, each.of.plan.core, each.area))
        ),
        where=f"{in_source(mine.of.symbol.name)} and {in_source(theirs.of.symbol.name)} in {builds}",
        found=_placed(theirs),
        expected=f"apart from {_placed(mine)}, or one inside the other",
        span=theirs.of.plain,
        next_step="give each a place of its own in both linker scripts, or one object one name and one type in both",
        lines=lines_in_short([f"{_placed(one)}; {_placed(other)}" for one, other in others], "overlap"),
        follows_from=tuple(
            ("contract-symbols-agree", f"contract {contract.name}, {name}")
            for contract in layout.contracts.values()
            for name in contract.symbols
            if name in {each.of.symbol.name for pair in pairs for each in pair}
        ),
    )


def _placed(each: SharedObject) -> str:
    name, build = in_source(each.of.symbol.name), each.of.build
    return f"{name} at {sized(each.of.plain or Span(0, 0))} in build {build.name} ({build.file})"


def _seen(first: int, address: int, each: SharedObject) -> tuple[str, ...]:
    plain = each.of.plain
    if plain is None or plain.start == address:
        return ()
    return (f"core {each.of.plan.core} sees it at {format_address(address)}",)


RULE = Rule(
    name="shared-symbols-agree",
    severity="error",
    guards="device",
    checks="Every global object that the builds of two cores have under one name in shared areas is at one "
    "place and has one size and one type, except as far as a contract names it and says so already; of objects "
    "with different names that take the same bytes, one is inside the other.",
    why="Two linkers that are given the same objects in another order place them at different addresses "
    "without a warning, and neither sees what the other one places. Each core then reads what the other one wrote "
    "as something else.",
    remedy="Fix the place of every shared object in both linker scripts, compile one header on both sides, "
    "and name the objects in a contract.",
    source="common practice: what two programs share has one address and one layout",
    absent="no two cores have objects in shared areas that no contract names",
    check=check,
    only_with="shared areas",
    of_elf=True,
)
