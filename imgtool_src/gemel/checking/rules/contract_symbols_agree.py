"""Rule ``contract-symbols-agree``: every symbol of a contract is one place for all cores."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from itertools import accumulate

from gemel.checking.rule import Rule
from gemel.inspection.contract.parties import (
    DefinedSymbol,
    Missing,
    answers,
    defined_symbol,
    known_to_nobody,
    lacking,
    without_a_voice,
)
from gemel.inspection.contract.shared_objects import types_in_symbol
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, in_source, sized
from gemel.layout.addresses import plain_span, seen_by
from gemel.layout.model import BuildPlan, Contract
from gemel.outcomes import Finding, Holds, Outcome
from gemel.spans import Span, format_address, format_size

ALIGNMENT = 8
"""Bytes that an object may move by more or less than those in front of it grew: the largest usual alignment."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome or more for each symbol that a contract names."""
    if len(inspection.layout.builds) < 2:
        return
    for contract in inspection.layout.contracts.values():
        places = _Places(inspection, contract)
        for name in contract.symbols:
            yield from _symbol(inspection, contract, name, places)


def _symbol(inspection: Inspection, contract: Contract, name: str, places: _Places) -> Iterator[Outcome]:
    where = f"contract {contract.name}, {name}"
    found, missing = answers(inspection, lambda plan: defined_symbol(inspection, plan, name))
    terms = ("object", "the symbols of", "linkers leave out what no source uses")
    if not found and (nobody := known_to_nobody(inspection, contract, name, missing, *terms)):
        yield nobody
        return
    present = [each.plan for each in found]
    findings: list[Finding] = []
    unchecked: list[Missing] = []
    for each in without_a_voice(missing, present):
        if each.absent and found:
            findings.append(_not_defined(contract, name, where, each, found[0]))
        else:
            unchecked.append(each)
    yield from lacking(where, unchecked)
    findings += _outside(inspection, contract, where, found, places)
    inside = [each for each in found if each.plain and _area(inspection, contract).covers(each.plain)]
    for other in inside[1:]:
        findings += _separate_addresses(inspection, contract, where, inside[0], other, places)
    yield from findings
    if not findings and len(found) > 1:
        yield Holds(f"{where} in builds {' and '.join(plan.name for plan in present)}")


def _area(inspection: Inspection, contract: Contract) -> Span:
    return inspection.layout.span_of(contract.area)


def _names(contract: Contract, *found: DefinedSymbol) -> tuple[str, ...]:
    builds = [each.plan.name for each in found]
    return concerned(*builds, *(each.plan.core for each in found), contract.name, contract.area)


def _file(each: DefinedSymbol) -> str:
    return f"build {each.plan.name} ({each.build.file})"


def _not_defined(contract: Contract, name: str, where: str, each: Missing, other: DefinedSymbol) -> Finding:
    return Finding(
        f"build {each.plan.name} does not define {name}",
        concerned(each.plan.name, each.plan.core, contract.name, contract.area),
        where=where,
        found="no such symbol",
        expected=f"{name} as in {_file(other)}, at {format_address(other.symbol.address)}",
        next_step="correct the name, or keep the object: what nothing uses is dropped at link "
        "(KEEP in the linker script)",
        follows_from=tuple(
            (rule, each.plan.name)
            for rule in ("addressed-constants-stored", "vector-table-not-blank", "reset-handler-in-code")
        ),  # without the vectors, the linker drops all that they lead to
    )


def _outside(
    inspection: Inspection, contract: Contract, where: str, found: list[DefinedSymbol], places: _Places
) -> Iterator[Finding]:
    area = _area(inspection, contract)
    for each in found:
        if each.plain and area.covers(each.plain):
            continue
        start = seen_by(inspection.layout, area.start, each.plan.core)
        seen = f", which core {each.plan.core} sees at {format_address(start)}" if start != area.start else ""
        place = _place(each) if each.plain else f"{_place(each)}, in no memory that the core sees"
        yield Finding(
            f"{in_source(each.symbol.name)} of build {each.plan.name} is not inside area {contract.area}",
            _names(contract, each),
            where=where,
            found=f"{place} in {_file(each)}",
            expected=f"inside {area}{seen}",
            span=each.plain,
            lines=places.moved(found[0], each)[0],
            next_step=f"all builds have it there: correct area {contract.area} in the layout, or their linker scripts"
            if len(found) > 1 and len({other.plain for other in found}) == 1 and each.plain
            else f"put it in a section of its own, and that section at {format_address(start)} in the linker "
            f"script of build {each.plan.name}",
            follows_from=(
                *((("ram-claims-in-own-areas", each.plan.name),) if each.plain is None else ()),
                *(((RULE.name, where),) if each.plain == found[0].plain else ()),
                *places.moved(found[0], each)[1],
            ),
        )


def _separate_addresses(
    inspection: Inspection,
    contract: Contract,
    where: str,
    first: DefinedSymbol,
    each: DefinedSymbol,
    places: _Places,
) -> Iterator[Finding]:
    name, builds = in_source(each.symbol.name), f"builds {first.plan.name} and {each.plan.name}"
    lines = tuple(f"build {side.plan.name:<{_width(first, each)}}  {_place(side)}" for side in (first, each))
    names = _names(contract, each, first)
    if first.plain and each.plain and first.plain.start != each.plain.start:
        due = seen_by(inspection.layout, first.plain.start, each.plan.core)
        others, causes = places.moved(first, each)
        front = places.in_front_of(first, each)
        yield Finding(
            f"section {in_source(front)} of build {each.plan.name} is in area {contract.area}, in front of {name}"
            if front
            else f"{builds} have {name} at different places",
            names,
            where=where,
            found=f"{format_address(each.symbol.address)} in {_file(each)}",
            expected=f"{format_address(due)}, the place of build {first.plan.name} as core {each.plan.core} sees it",
            span=each.plain,
            next_step=f"place section {in_source(front)} in RAM of core {each.plan.core} in the linker script"
            if front
            else "give it a fixed place in both linker scripts, before anything else of the area",
            lines=(*lines, *others),
            follows_from=(
                *((("start-clears-own-ram", each.plan.name),) if front else ()),
                *places.before(first, each),
                *causes,
            ),
        )
    sizes = first.symbol.size, each.symbol.size
    if sizes[0] != sizes[1] and all(sizes):
        yield Finding(
            f"{builds} have {name} in different sizes",
            names,
            where=where,
            found=f"{format_size(sizes[1])} in {_file(each)}",
            expected=f"{format_size(sizes[0])} as in {_file(first)}",
            span=each.plain,
            next_step="compile one header on both sides with the same options; name its type in the contract too, "
            "to see what differs",
            lines=lines,
            follows_from=_of_size(inspection, first, each),
        )


def _of_size(
    inspection: Inspection, first: DefinedSymbol, each: DefinedSymbol
) -> tuple[tuple[str, str], ...]:
    """What an object's size in two builds differs by: its type, or a type of a contract in it."""
    builds = f"builds {first.plan.name} and {each.plan.name}"
    return (
        ("shared-symbols-agree", f"{in_source(each.symbol.name)} in {builds}"),
        *types_in_symbol(inspection, each),
    )


class _Places:
    """What moved the objects of a contract between two builds: others that grew, or all of them at once."""

    def __init__(self, inspection: Inspection, contract: Contract) -> None:
        self._inspection = inspection
        self._contract = contract
        self._of: dict[tuple[str, str], list[tuple[int, int, str]]] = {}
        self._both: dict[tuple[str, str], dict[str, tuple[Span, Span]]] = {}

    def moved(
        self, first: DefinedSymbol, each: DefinedSymbol
    ) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
        """Of the first object of those that are elsewhere together, the others; of these, that one as their cause.

        Together are those that are as far from their places, and those that take the same bytes in another order.
        """
        both, area = self._spans(first.plan, each.plan), _area(self._inspection, self._contract)
        name = next((key for key, spans in both.items() if spans == (first.plain, each.plain)), None)
        if name is None:
            return (), ()
        distances = {key: other.start - mine.start for key, (mine, other) in both.items()}
        outside = {key for key, (_, other) in both.items() if not area.covers(other)}
        alike = [
            key for key in both if distances[key] == distances[name] and (key in outside) == (name in outside)
        ]
        how = "is as far from its place"
        changed = [key for key in both if distances[key]]
        if name in changed and len(alike) < len(changed) and self._reordered([both[key] for key in changed]):
            alike, how = changed, "takes the same bytes in another order"
        if alike[0] != name:
            return (), ((RULE.name, f"contract {self._contract.name}, {alike[0]}"),)
        return tuple(f"{in_source(key)} {how}" for key in alike[1:]), ()

    @staticmethod
    def _reordered(spans: list[tuple[Span, Span]]) -> bool:
        """Whether objects take the same bytes in both builds, except for alignment, but each another part of them."""
        sides = [sorted(side) for side in zip(*spans, strict=True)]
        ends = [(side[0].start, max(each.end for each in side)) for side in sides]
        near = ends[0][0] == ends[1][0] and abs(ends[0][1] - ends[1][1]) < ALIGNMENT
        return near and all(mine.size == other.size for mine, other in spans)

    def in_front_of(self, first: DefinedSymbol, each: DefinedSymbol) -> str:
        """The section of no object of the contract that pushed an object, inside its area; empty if none did."""
        if first.plain is None or each.plain is None or not each.build.sections:
            return ""
        area, distance = _area(self._inspection, self._contract), each.plain.start - first.plain.start
        objects = [other for _, other in self._spans(first.plan, each.plan).values()]
        for section in each.build.sections.all() if distance > 0 else ():
            plain = (
                plain_span(self._inspection.layout, section.span, each.plan.core)
                if section.allocated
                else None
            )
            if (
                plain
                and area.covers(plain)
                and plain.end <= each.plain.start
                and abs(plain.size - distance) < ALIGNMENT
                and not any(plain.overlaps(other) for other in objects)
            ):
                return section.name
        return ""

    def _spans(self, first: BuildPlan, other: BuildPlan) -> dict[str, tuple[Span, Span]]:
        """The places of each object in two builds, of those that both see."""
        if (first.name, other.name) not in self._both:
            sides = {
                name: [defined_symbol(self._inspection, plan, name) for plan in (first, other)]
                for name in self._contract.symbols
            }
            self._both[first.name, other.name] = {
                name: (mine.plain, theirs.plain)
                for name, (mine, theirs) in sides.items()
                if not isinstance(mine, Missing) and not isinstance(theirs, Missing)
                if mine.plain and theirs.plain
            }
        return self._both[first.name, other.name]

    def before(self, first: DefinedSymbol, each: DefinedSymbol) -> tuple[tuple[str, str], ...]:
        """What pushed an object, if those in front of it grew by as much as it moved, except for alignment.

        One of another size that moved by less may be aligned otherwise, as its type is.
        """
        grown = self._between(first.plan, each.plan)
        if first.plain is None or each.plain is None or not grown:
            return ()
        if first.symbol.size != each.symbol.size and abs(each.plain.start - first.plain.start) < ALIGNMENT:
            return _of_size(self._inspection, first, each)
        at = bisect_left(grown, first.plain.start, key=lambda each: each[0])
        if not at or abs(each.plain.start - first.plain.start - grown[at - 1][1]) >= ALIGNMENT:
            return ()
        name = grown[at - 1][2]
        sides = [defined_symbol(self._inspection, side.plan, name) for side in (first, each)]
        mine, theirs = (side for side in sides if not isinstance(side, Missing))
        own = RULE.name, f"contract {self._contract.name}, {name}"
        return own, *_of_size(self._inspection, mine, theirs)

    def _between(self, first: BuildPlan, other: BuildPlan) -> list[tuple[int, int, str]]:
        """Start in the first build, bytes by which all up to here are larger in the other one, and name of each."""
        if (first.name, other.name) not in self._of:
            found: list[tuple[int, int, str]] = []
            for name in self._contract.symbols:
                mine = defined_symbol(self._inspection, first, name)
                theirs = defined_symbol(self._inspection, other, name)
                if isinstance(mine, Missing) or isinstance(theirs, Missing) or mine.plain is None:
                    continue
                if more := theirs.symbol.size - mine.symbol.size:
                    found.append((mine.plain.start, more, name))
            found.sort()
            sums = accumulate(more for _, more, _ in found)
            self._of[first.name, other.name] = [
                (start, total, name) for (start, _, name), total in zip(found, sums, strict=True)
            ]
        return self._of[first.name, other.name]


def _width(*found: DefinedSymbol) -> int:
    return max(len(each.plan.name) for each in found)


def _place(each: DefinedSymbol) -> str:
    symbol = each.symbol
    seen = sized(symbol.span) if symbol.size else f"{format_address(symbol.address)}, size not known"
    if each.plain is None or each.plain.start == symbol.address:
        return seen
    return f"{seen}, the others' {format_address(each.plain.start)}"


RULE = Rule(
    name="contract-symbols-agree",
    severity="error",
    guards="device",
    checks="Each symbol that a contract names is defined in every core's build, is inside the contract's "
    "area, at the same place through each core's view and the aliases, and has the same size.",
    why="Two linkers place the same object in the order that suits each of them. A core that writes at one "
    "address while the other one waits at the next leaves both running with no message between them, or "
    "overwrites the neighbour.",
    remedy="Give the object a section of its own at a fixed address in both linker scripts, from addresses "
    "that both take from the layout.",
    source="common practice: what two programs share has one address; System V gABI, section Symbol Table",
    absent="no contract names a symbol, or the layout has a single build",
    check=check,
    only_with="contracts",
)
