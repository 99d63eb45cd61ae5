"""What builds have in shared areas: objects by name, and whether they have anything there at all."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.builds.dwarf.types import Array, Composite, Pointer, Reference
from gemel.errors import BuildError
from gemel.inspection.contract.parties import DefinedSymbol, Missing, debug_types
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import claims_of, shared_ram
from gemel.layout.addresses import starts_of
from gemel.layout.model import Area, BuildPlan, Layout
from gemel.spans import Span
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.dwarf.debug_types import DebugTypes


PADDING = 8
"""Fewer bytes by which an object ends after another are what a type or an array was rounded up by."""


class SharedObject(NamedTuple):
    """A global object of a build and the shared area that it starts in."""

    of: DefinedSymbol
    area: str


def shared_areas(layout: Layout) -> list[Area]:
    """The areas of purpose shared."""
    return [area for area in layout.areas.values() if area.purpose == "shared"]


def all_shared_objects(layout: Layout, plan: BuildPlan, build: Build) -> Iterator[SharedObject]:
    """The objects of a build that start in a shared area, those of one source file too."""
    if build.symbols is None:
        return
    for area in shared_areas(layout):
        memory = layout.memories[area.memory]
        for start in starts_of(memory, plan.core):
            for symbol in build.symbols.objects_in(Span(start + area.offset, area.size)):
                if symbol.kind == "object":
                    place = Span(symbol.address - start + memory.start, symbol.size)
                    yield SharedObject(DefinedSymbol(plan, build, symbol, place), area.name)


def shared_objects(layout: Layout, plan: BuildPlan, build: Build) -> dict[str, SharedObject]:
    """The global objects of a build that start in a shared area, by name; of one name the first."""
    found: dict[str, SharedObject] = {}
    for each in all_shared_objects(layout, plan, build):
        if each.of.symbol.binding != "local":
            found.setdefault(each.of.symbol.name, each)
    return found


def overlaps_in_part(
    left: list[SharedObject], right: list[SharedObject]
) -> Iterator[tuple[SharedObject, SharedObject]]:
    """Objects of two builds of which each has bytes that the other has not, the first build's first."""
    sides = [(0, each) for each in left] + [(1, each) for each in right]
    placed = [(each.of.plain, side, each) for side, each in sides if each.of.plain]
    furthest: list[tuple[Span, SharedObject] | None] = [None, None]
    for span, side, each in sorted(placed, key=lambda item: (item[0].start, -item[0].size)):
        if (other := furthest[1 - side]) and other[0].start < span.start < other[0].end < span.end:
            rounded_up = span.end - other[0].end < PADDING <= span.start - other[0].start
            if not rounded_up:
                yield (other[1], each) if side else (each, other[1])
        held = furthest[side]
        if held is None or held[0].end < span.end:
            furthest[side] = span, each


def uses_shared_area(inspection: Inspection, plan: BuildPlan, build: Build) -> bool:
    """Whether the build has anything in a shared area, by its segments or its symbols."""
    shared = shared_ram(inspection.layout)
    if any(
        span.overlaps(claim.plain) for claim in claims_of(inspection.layout, plan, build) for span in shared
    ):
        return True
    return bool(shared_objects(inspection.layout, plan, build))


def of_one_side(left: dict[str, SharedObject], right: dict[str, SharedObject]) -> str:
    """An object that one of two builds has in shared areas and the other has not; empty if there is none."""
    return next(iter(sorted(left.keys() ^ right.keys())), "")


class SharedTypes(NamedTuple):
    """The types of what one build shares, and why they are not all known, if so."""

    types: DebugTypes | None
    references: tuple[Reference, ...]
    reason: str


def shared_types(inspection: Inspection, plan: BuildPlan, build: Build) -> SharedTypes:
    """The types of every global object in shared areas and of every type that contracts name."""
    types = debug_types(inspection, plan)
    if isinstance(types, Missing):
        return SharedTypes(None, (), types.reason)
    references: list[Reference] = []
    try:
        for name in shared_objects(inspection.layout, plan, build):
            found = types.variables(name)
            if not found:
                reason = f"its debug information does not describe {name}"
                return SharedTypes(types, (), f"{reason}; {types.elsewhere}" if types.elsewhere else reason)
            references += found
        for spelling in _contract_types(inspection.layout):
            named = types.named_in_any_scope(spelling)[:1]
            if not named:
                return SharedTypes(types, (), f"its debug information does not define {spelling}")
            references += named
        for _ in reached(types, tuple(references)):
            pass  # so that a type which cannot be read is known here
    except BuildError as error:
        return SharedTypes(None, (), error.problems[0].found)
    reason = "" if references else "no object in a shared area and no type of a contract is known"
    return SharedTypes(types, tuple(references), reason)


def _contract_types(layout: Layout) -> Iterator[str]:
    for contract in layout.contracts.values():
        yield from contract.types


def reached(types: DebugTypes, references: tuple[Reference, ...]) -> Iterator[Reference]:
    """Every type in the types ``references``, each once; pointers are not followed."""
    seen: set[Reference] = set()
    waiting = list(references)
    while waiting:
        reference, found = types.resolved(waiting.pop())
        if reference is None or reference in seen:
            continue
        seen.add(reference)
        yield reference
        if isinstance(found, Array):
            waiting.append(found.element)
        elif isinstance(found, Composite):
            waiting += [member.type for member in found.members]


def has_pointer_at(types: DebugTypes, references: tuple[Reference, ...], offset: int) -> bool:
    """Whether an object of one of the types ``references`` has a pointer ``offset`` bytes after its start."""
    seen: set[tuple[Reference, int]] = set()
    waiting = [(reference, offset) for reference in references]
    while waiting:
        (asked, at) = waiting.pop()
        reference, found = types.resolved(asked)
        size = types.size_of(reference)
        if reference is None or (reference, at) in seen or (size is not None and at >= size):
            continue
        seen.add((reference, at))
        if isinstance(found, Pointer) and at == 0:
            return True
        if isinstance(found, Array) and (stride := found.stride or types.size_of(found.element)):
            waiting.append((found.element, at % stride))
        elif isinstance(found, Composite):
            starts = [(each.type, (each.bit or 0) // 8) for each in found.members]
            waiting += [(member, at - start) for member, start in starts if start <= at]
    return False


def contract_types_inside(
    layout: Layout, types: DebugTypes, references: tuple[Reference, ...]
) -> tuple[tuple[str, str], ...]:
    """The types of contracts that are in the types ``references``, each as what a finding may follow from."""
    inside = set(reached(types, references))
    return tuple(
        ("contract-types-agree", f"contract {contract.name}, {spelling}")
        for contract in layout.contracts.values()
        for spelling in contract.types
        if not inside.isdisjoint(types.resolved(each)[0] for each in types.named_in_any_scope(spelling))
    )


def types_in_symbol(inspection: Inspection, each: DefinedSymbol) -> tuple[tuple[str, str], ...]:
    """The types of contracts in a symbol, from which its size follows."""
    types = debug_types(inspection, each.plan)
    if isinstance(types, Missing):
        return ()
    try:
        return contract_types_inside(inspection.layout, types, types.variables(each.symbol.name))
    except BuildError:
        return ()
