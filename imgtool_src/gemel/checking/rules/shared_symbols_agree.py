"""Rule ``shared-symbols-agree``: what two builds have in shared areas by one name or in one place is one thing."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, TypeAlias

from gemel.builds.dwarf.types import Composite, Enumeration, Reference
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
from gemel.inspection.wording import concerned, in_short, in_source, lines_in_short, sections_in, sized
from gemel.layout.model import Layout
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import Span, format_address
from gemel.structs import replace

if TYPE_CHECKING:
    from gemel.checking.contract.comparison import TypeComparison


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each name that two builds have in shared areas, as far as no contract names it.

    One finding for each two builds whose objects of other names overlap in part.
    """
    layout = inspection.layout
    if len(layout.builds) < 2 or not shared_areas(layout):
        return
    symbols = {symbol for contract in layout.contracts.values() for symbol in contract.symbols}
    first_of: dict[str, SharedObject] = {}
    earlier: list[list[SharedObject]] = []
    of_types: _OfTypes = {}
    for stated in builds_that_state(inspection, "symbols", parties(layout)):
        if isinstance(stated, NotChecked):
            yield stated
            continue
        plan, build = stated
        outcomes: list[Outcome] = []
        moved: dict[str, list[tuple[SharedObject, SharedObject]]] = {}
        pushing: list[tuple[SharedObject, SharedObject]] = []
        own = shared_objects(layout, plan, build)
        lacking = [each for name, each in first_of.items() if name in symbols and name not in own]
        for name, each in own.items():
            first = first_of.setdefault(name, each)
            if first is each or first.of.plan.core == plan.core:
                continue
            named = name in symbols or in_source(name) in symbols
            if not named and _is_changed(first, each):
                moved.setdefault(first.of.plan.name, []).append((first, each))
            else:
                pushing += [(first, each)] if named and _is_changed(first, each) else []
                outcomes += _pair(inspection, name, first, each, named, of_types)
        places = {name: _places(inspection, pairs, pushing, lacking) for name, pairs in moved.items()}
        outcomes += places.values()
        objects = list(all_shared_objects(layout, plan, build))
        for others in earlier:
            outcomes += _in_one_place(layout, others, objects, places)
        earlier.append(objects)
        yield from (outcome for outcome in outcomes if not isinstance(outcome, Finding))
        yield from in_short(
            _with_others(outcome, outcomes) for outcome in outcomes if isinstance(outcome, Finding)
        )


def _with_others(finding: Finding, outcomes: list[Outcome]) -> Finding:
    """The finding with the other objects of the types that differ in it."""
    others = [
        each.where.partition(" in ")[0]
        for each in outcomes
        if isinstance(each, Finding)
        and each is not finding
        and (RULE.name, finding.where) in each.follows_from
    ]
    lines = lines_in_short([f"the same type is in {name}" for name in others], "object")
    return replace(finding, lines=(*finding.lines, *lines)) if others else finding


_OfTypes: TypeAlias = dict[tuple[str, str, int | None, int | None], str]
"""Where it is said that a type of one build differs from one of another: two builds, and a type of each."""


def _builds(first: SharedObject, each: SharedObject) -> str:
    return f"builds {first.of.plan.name} and {each.of.plan.name}"


def _start(each: SharedObject) -> int:
    return each.of.plain.start if each.of.plain else 0


def _is_resized(first: SharedObject, each: SharedObject) -> bool:
    sizes = first.of.symbol.size, each.of.symbol.size
    return sizes[0] != sizes[1] and all(sizes)


def _is_changed(first: SharedObject, each: SharedObject) -> bool:
    return _is_resized(first, each) or _start(first) != _start(each)


def _overlap(first: SharedObject, each: SharedObject) -> bool:
    """Whether an object of one build is where another one of the other build is."""
    return bool(first.of.plain and each.of.plain and first.of.plain.overlaps(each.of.plain))


def _pair(
    inspection: Inspection,
    name: str,
    first: SharedObject,
    each: SharedObject,
    named: bool,
    of_types: _OfTypes,
) -> Iterator[Outcome]:
    where = f"{in_source(name)} in {_builds(first, each)}"
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
        if stated and named:
            return
        label = left.types.declared(left.references[0], name)
        findings = [found for side in (left, right) for found in not_for_others(side, label, where)]
        if not findings:
            causes = contract_types_inside(inspection.layout, left.types, left.references)
            causes += _same_types(left, right, where, of_types)
            findings = [
                replace(each, follows_from=causes) for each in unlike(left, right, label, where, False)
            ]
    except BuildError as error:
        yield NotChecked(f"the type of {where}", error.problems[0].found)
        return
    if not stated:
        yield from findings
    if not findings:
        yield Holds(where)


def _same_types(
    left: DefinedType, right: DefinedType, where: str, of_types: _OfTypes
) -> tuple[tuple[str, str], ...]:
    """The first objects of, or with, the two structures or enumerations that differ; they differ in all."""
    from gemel.checking.contract.comparison import TypeComparison, elements_of

    comparison = TypeComparison(left.types, right.types, False)
    comparison.same(left.references[0], right.references[0])
    mine, theirs = (elements_of(side.types, side.references[0]).type for side in (left, right))
    while inner := _differing_member(comparison, mine, theirs):
        mine, theirs = inner
    if not isinstance(left.types.resolved(mine)[1], Composite | Enumeration):
        return ()
    kinds = _bare(left, mine), _bare(right, theirs)
    return ((RULE.name, of_types.setdefault((left.plan.name, right.plan.name, *kinds), where)),)


def _differing_member(
    comparison: TypeComparison, mine: Reference, theirs: Reference
) -> tuple[Reference, Reference] | None:
    """The types of the first member that differs, where it is a structure or an enumeration at one place in both."""
    from gemel.checking.contract.comparison import elements_of, paired

    sides = comparison.left.resolved(mine)[1], comparison.right.resolved(theirs)[1]
    if not isinstance(sides[0], Composite) or not isinstance(sides[1], Composite):
        return None
    for left, right in paired(sides[0], sides[1]):
        if left is None or right is None or not comparison.same_place(left, right):
            return None
        if not comparison.same(left.type, right.type):
            inner = elements_of(comparison.left, left.type), elements_of(comparison.right, right.type)
            kinds = comparison.left.resolved(inner[0].type)[1], comparison.right.resolved(inner[1].type)[1]
            alike = inner[0].counts == inner[1].counts and type(kinds[0]) is type(kinds[1])
            return (
                (inner[0].type, inner[1].type)
                if alike and isinstance(kinds[0], Composite | Enumeration)
                else None
            )
    return None


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
    return {_bare(side, each) for each in side.types.named_in_any_scope(spelling)}


def _bare(side: DefinedType, reference: int) -> int | None:
    """The type without names, qualifiers and what C++ and Rust wrap around it."""
    from gemel.checking.contract.wrappers import UnwrappedType, unwrapped

    found = UnwrappedType(*side.types.resolved(reference))
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


def _places(
    inspection: Inspection,
    pairs: list[tuple[SharedObject, SharedObject]],
    pushing: list[tuple[SharedObject, SharedObject]],
    lacking: list[SharedObject],
) -> Finding:
    """One finding for all objects of two builds at other places: the first in another size pushed the others.

    So do objects that contracts name (``pushing``): in another size before all of them, or in the place of one; and
    ones that the second build lacks.
    """
    pairs = sorted(pairs, key=lambda pair: (not _is_resized(*pair), _start(pair[0])))
    (first, each), *others = pairs
    before = [
        one.of.symbol.name
        for one, other in pushing
        if not _is_resized(first, each) and one.of.plan is first.of.plan
        if (
            all(_start(one) < _start(pair[0]) and _start(other) < _start(pair[1]) for pair in pairs)
            if _is_resized(one, other)
            else _overlap(one, each) or _overlap(other, first)
        )
    ]
    before += [one.of.symbol.name for one in lacking if _start(one) < _start(first)]
    mine, theirs = first.of, each.of
    what = "at different places" if _start(first) != _start(each) else "in different sizes"
    name = in_source(theirs.symbol.name)
    return Finding(
        f"{_builds(first, each)} have {name} {what} in their shared areas",
        concerned(theirs.plan.name, mine.plan.name, theirs.plan.core, mine.plan.core, each.area, first.area),
        where=f"{name} in {_builds(first, each)}",
        found=f"{_sized(each)} in build {theirs.plan.name} ({theirs.build.file})",
        expected=f"{_sized(first)} as in build {mine.plan.name} ({mine.build.file})",
        span=theirs.plain,
        next_step="if it is one object, name it in a contract and fix its place in both linker scripts; if not, give "
        "the two different names",
        lines=(*_seen(theirs.symbol.address, each), *_in_lines(others)),
        follows_from=tuple(_of_symbols(inspection.layout, set(before))),
    )


def _of_symbols(layout: Layout, names: set[str]) -> Iterator[tuple[str, str]]:
    """The outcomes of symbols as far as contracts name them."""
    for contract in layout.contracts.values():
        for name in contract.symbols:
            if name in names:
                yield "contract-symbols-agree", f"contract {contract.name}, {name}"


def _in_lines(pairs: list[tuple[SharedObject, SharedObject]]) -> tuple[str, ...]:
    return lines_in_short(["; ".join(_placed(*pair)) for pair in pairs], "pair")


def _sized(each: SharedObject) -> str:
    return sized(each.of.plain or Span(0, 0))


def _in_one_place(
    layout: Layout, left: list[SharedObject], right: list[SharedObject], places: dict[str, Finding]
) -> Iterator[Outcome]:
    """One finding for all that overlaps in two builds of different cores, since what moved pushed the next."""
    names = {each.of.symbol.name for each in left} & {each.of.symbol.name for each in right}
    left, right = ([each for each in side if each.of.symbol.name not in names] for side in (left, right))
    if not left or not right or left[0].of.plan.core == right[0].of.plan.core:
        return
    pairs = list(overlaps_in_part(left, right))
    builds = _builds(left[0], right[0])
    if not pairs:
        yield Holds(f"objects of other names in {builds}")
        return
    (mine, theirs), *others = pairs
    due, found = _placed(mine, theirs)
    yield Finding(
        f"{builds} have different objects in one place of area {theirs.area}",
        concerned(
            *(name for each in (theirs, mine) for name in (each.of.plan.name, each.of.plan.core, each.area))
        ),
        where=f"{in_source(mine.of.symbol.name)} and {in_source(theirs.of.symbol.name)} in {builds}",
        found=found,
        expected=f"apart from {due}, or one inside the other",
        span=theirs.of.plain,
        next_step="give each a place of its own in both linker scripts, or one object one name and one type in both",
        lines=_in_lines(others),
        follows_from=(
            *((RULE.name, each.where) for name, each in places.items() if name == mine.of.plan.name),
            *_of_symbols(layout, {each.of.symbol.name for pair in pairs for each in pair}),
        ),
    )


def _placed(*pair: SharedObject) -> Iterator[str]:
    """Each of two objects with its place, and its section where the other one's has another name."""
    sections = [sections_in(each.of.build, each.of.symbol.span) for each in pair]
    for each, section in zip(pair, sections, strict=True):
        name, build = in_source(each.of.symbol.name), each.of.build
        whose = f"section {section} of build" if section and len(set(sections)) > 1 else "build"
        yield f"{name} at {_sized(each)} in {whose} {build.name} ({build.file})"


def _seen(address: int, each: SharedObject) -> tuple[str, ...]:
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
