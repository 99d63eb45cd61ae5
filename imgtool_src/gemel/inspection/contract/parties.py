"""Who a contract binds, and what each party's build shows of symbols and types."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, TypeVar

from gemel.builds.build import Build
from gemel.builds.dwarf.types import Reference
from gemel.errors import BuildError
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, in_source, needs_elf
from gemel.layout.addresses import plain_span, seen_by
from gemel.layout.model import BuildPlan, Contract, Layout
from gemel.outcomes import Finding, NotChecked
from gemel.spans import Span
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.dwarf.debug_types import DebugTypes
    from gemel.builds.elf.symbol_entries import Symbol


T = TypeVar("T")


class Missing(NamedTuple):
    """Why a build shows nothing of what was asked; ``absent``: it can be read, and there is no such thing.

    ``near`` holds names of the build that are like the one requested.
    """

    plan: BuildPlan
    reason: str
    absent: bool
    near: tuple[str, ...] = ()


class DefinedType(NamedTuple):
    """Every definition of a type in one build; at least one."""

    plan: BuildPlan
    build: Build
    types: DebugTypes
    references: tuple[Reference, ...]


class DefinedSymbol(NamedTuple):
    """A symbol of one build: as its core sees it, and its plain span (None: in no memory its core sees)."""

    plan: BuildPlan
    build: Build
    symbol: Symbol
    plain: Span | None


def parties(layout: Layout) -> list[BuildPlan]:
    """All builds, those of the primary first: what the others are compared with."""
    return sorted(layout.builds.values(), key=lambda plan: layout.cores[plan.core].role != "primary")


def answers(inspection: Inspection, ask: Callable[[BuildPlan], T | Missing]) -> tuple[list[T], list[Missing]]:
    """What the parties' builds show of what is asked, and why the others show nothing."""
    found: list[T] = []
    missing: list[Missing] = []
    for plan in parties(inspection.layout):
        answer = ask(plan)
        if isinstance(answer, Missing):
            missing.append(answer)
        else:
            found.append(answer)
    return found, missing


def debug_types(inspection: Inspection, plan: BuildPlan) -> DebugTypes | Missing:
    """What the debug information of a build shows, or why it shows nothing."""
    build = inspection.builds.get(plan.name)
    if build is None or build.debug is None:
        reason = needs_elf(plan.name, build, "symbols")
        return Missing(plan, reason or "this kind of file has no debug information", False)
    from gemel.builds.dwarf.fault import DebugUnreadable

    try:
        return build.debug.types()
    except DebugUnreadable as error:
        return Missing(plan, error.reason, False)
    except BuildError as error:
        return Missing(plan, error.problems[0].what, False)


def own_types(inspection: Inspection, contract: Contract, plan: BuildPlan) -> DebugTypes | Missing:
    """What the debug information of a build shows, if it is of its own sources and not of its libraries alone.

    That is: it describes an object of the contract, or the build has none of them.
    """
    build = inspection.builds.get(plan.name)
    types = debug_types(inspection, plan)
    if isinstance(types, Missing) or build is None or build.symbols is None:
        return types
    named = [symbol for name in contract.symbols for symbol in build.symbols.named(name)]
    start = seen_by(inspection.layout, inspection.layout.span_of(contract.area).start, plan.core)
    placed = build.symbols.objects_in(Span(start, inspection.layout.areas[contract.area].size))
    own = [each.name for each in (*named, *placed) if each.kind == "object"]
    try:
        if not own or any(types.variables(name) for name in own):
            return types
    except BuildError as error:
        return Missing(plan, error.problems[0].found, False)
    reason = (
        f"its debug information describes no object of contract {contract.name}, such as {in_source(own[0])}"
    )
    return Missing(plan, f"{reason}; {types.elsewhere}" if types.elsewhere else reason, False)


def defined_type(
    inspection: Inspection, contract: Contract, plan: BuildPlan, spelling: str
) -> DefinedType | Missing:
    """The definitions of a type of a contract in one build."""
    types = own_types(inspection, contract, plan)
    if isinstance(types, Missing):
        return types
    from gemel.builds.dwarf.fault import DebugUnreadable

    try:
        if references := types.named(spelling):
            return DefinedType(plan, inspection.builds[plan.name], types, references)
        near = types.near_names(spelling)
    except DebugUnreadable as error:
        return Missing(plan, error.reason, False)
    reason = f"its debug information does not define {spelling}"
    if types.elsewhere:
        return Missing(plan, f"{reason}; {types.elsewhere}", False)
    reason = f"{reason} (near: {', '.join(near)})" if near else reason
    return Missing(plan, reason, True, tuple(near))


def defined_in_any_scope(
    inspection: Inspection, contract: Contract, plan: BuildPlan, spelling: str
) -> DefinedType | Missing:
    """The same; of a build that has nothing in the scope of the name, what it has of the name's last part."""
    answer, types = defined_type(inspection, contract, plan, spelling), debug_types(inspection, plan)
    if not isinstance(answer, Missing) or not answer.absent or isinstance(types, Missing):
        return answer
    references = types.named_in_any_scope(spelling)
    return DefinedType(plan, inspection.builds[plan.name], types, references) if references else answer


def defined_symbol(inspection: Inspection, plan: BuildPlan, name: str) -> DefinedSymbol | Missing:
    """The one symbol of that name in one build, where the cores see it."""
    build = inspection.builds.get(plan.name)
    reason = needs_elf(plan.name, build, "symbols")
    if build is None or reason or build.symbols is None:
        return Missing(plan, reason or "it has no symbols", False)
    try:
        symbol = build.symbols.find(name)
    except BuildError as error:
        problem = error.problems[0]
        return Missing(plan, f"{problem.what}: {problem.found}", False)
    if symbol is None:
        return Missing(plan, f"it does not define {name}", True, tuple(build.symbols.near_names(name)))
    return DefinedSymbol(plan, build, symbol, plain_span(inspection.layout, symbol.span, plan.core))


def known_to_nobody(
    inspection: Inspection,
    contract: Contract,
    name: str,
    missing: list[Missing],
    kind: str,
    places: str,
    why: str,
) -> Finding | None:
    """A name that no build knows, though all of them can be read: likely misspelt; None if one cannot.

    ``missing`` are all parties of the contract; ``kind`` is what the name is of, ``places`` where it was
    looked for, as in ``no such type in the debug information of ...``, and ``why`` how it may be left out.
    """
    if not missing or not all(each.absent for each in missing):
        return None
    plans = [each.plan for each in missing]
    files = [f"build {plan.name} ({inspection.builds[plan.name].file})" for plan in plans]
    near = list(dict.fromkeys(near for each in missing for near in each.near))
    return Finding(
        f"no build defines {name}",
        concerned(contract.name, *(plan.name for plan in plans), *(plan.core for plan in plans)),
        where=f"contract {contract.name}, {name}",
        found=f"no such {kind} in {places} {' and '.join(files)}",
        expected=f"the {kind} of that name in the builds of two cores",
        next_step=f"name the {kind} as one of these: {', '.join(near)}"
        if near
        else f"name the {kind} as its source does, or take it out of the contract: {why}",
    )


def without_a_voice(missing: list[Missing], present: list[BuildPlan]) -> list[Missing]:
    """The builds that show nothing and that matter.

    A core is spoken for by one of its builds.  Of more than two builds those may go without that simply
    do not have what two others share.
    """
    cores = {plan.core for plan in present}
    return [
        each for each in missing if each.plan.core not in cores and not (each.absent and len(present) > 1)
    ]


def unanswered(where: str, missing: list[Missing], present: list[BuildPlan]) -> Iterator[NotChecked]:
    """What could not be looked at because of the builds in ``missing``, each reason once."""
    yield from lacking(where, without_a_voice(missing, present))


def lacking(where: str, missing: list[Missing]) -> Iterator[NotChecked]:
    """Each reason once, with the builds that it is true of."""
    builds: dict[str, list[str]] = {}
    for each in missing:
        builds.setdefault(each.reason, []).append(each.plan.name)
    for reason, names in builds.items():
        yield NotChecked(f"{where}, build{'' if len(names) == 1 else 's'} {' and '.join(names)}", reason)


class Comparable(NamedTuple):
    """One side of a comparison: what it is called, whose it is, and the type."""

    name: str
    of: DefinedType
    reference: Reference
