"""Findings about types that two builds, or two sources of one build, do not lay out alike."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.checking.contract.comparison import TypeComparison
from gemel.checking.contract.data_conventions import differing_conventions
from gemel.checking.contract.wrappers import unshareable
from gemel.inspection.contract.parties import Comparable, DefinedType
from gemel.inspection.contract.shared_objects import reached
from gemel.inspection.wording import concerned
from gemel.outcomes import Finding
from gemel.spans import format_size

if TYPE_CHECKING:
    from gemel.checking.contract.rows import Cell, Row

MAX_SOURCES = 500
"""Definitions of one type in one build that are compared with the first one at most."""


def unlike_in_one_build(found: DefinedType, spelling: str, where: str, follow: bool) -> Iterator[Finding]:
    """A finding if sources of one build define a type in two ways."""
    comparison = TypeComparison(found.types, found.types, follow)
    first, *others = found.references[:MAX_SOURCES]
    for other in others:
        if not comparison.same(first, other):
            name = found.plan.name
            sides = (Comparable("one source", found, first), Comparable("another", found, other))
            what = f"build {name} has two layouts of {spelling}, in two of its sources"
            yield _finding(what, where, spelling, sides, comparison)
            return


def not_for_others(found: DefinedType, spelling: str, where: str) -> Iterator[Finding]:
    """A finding if a type holds what no other core can read, such as a tagged union of Rust."""
    for reference in reached(found.types, found.references[:1]):
        if why := unshareable(found.types, reference):
            plan = found.plan
            yield Finding(
                f"build {plan.name} shares {spelling}, which only its own code can read",
                concerned(plan.name, plan.core, *_contract(where)),
                where=where,
                found=why,
                expected="numbers, arrays, structures with repr(C), enumerations without values, or raw pointers",
                next_step="share a structure with repr(C) and a number that says which case it is",
            )
            return


def unlike(
    left: DefinedType, right: DefinedType, spelling: str, where: str, follow: bool
) -> Iterator[Finding]:
    """A finding if the first definitions of a type in two builds are not laid out alike."""
    comparison = TypeComparison(left.types, right.types, follow)
    sides = tuple(Comparable(each.plan.name, each, each.references[0]) for each in (left, right))
    if not comparison.same(sides[0].reference, sides[1].reference):
        what = f"builds {left.plan.name} and {right.plan.name} lay out {spelling} differently"
        yield _finding(what, where, spelling, (sides[0], sides[1]), comparison)


def _finding(
    what: str, where: str, spelling: str, sides: tuple[Comparable, Comparable], comparison: TypeComparison
) -> Finding:
    from gemel.checking.contract.picture import first_difference, side_by_side
    from gemel.checking.contract.rows import rows_of

    left, right = sides
    rows = rows_of(comparison, left.reference, right.reference, spelling)
    differing = [row for row in rows[first_difference(rows) :] if row.differs]
    plans = left.of.plan, right.of.plan
    files = [f"build {plan.name} ({each.of.build.file})" for plan, each in zip(plans, sides, strict=True)]
    return Finding(
        what,
        concerned(plans[1].name, plans[0].name, plans[1].core, plans[0].core, *_contract(where)),
        where=where,
        found=f"{_in_words(differing, right=True)} in {files[1]}",
        expected=f"{_in_words(differing, right=False)} as in {files[0]}",
        lines=(*side_by_side(rows, (left.name, right.name)), *_causes(left.of, right.of)),
    )


def _causes(left: DefinedType, right: DefinedType) -> Iterator[str]:
    """What the build attributes say that may be the cause."""
    if left.plan.name != right.plan.name and left.build.attributes and right.build.attributes:
        for each in differing_conventions(left.build.attributes, right.build.attributes):
            yield (
                f"a likely cause, by the build attributes: {each.what}: {each.left} in build "
                f"{left.plan.name}, {each.right} in build {right.plan.name}"
            )


def _contract(where: str) -> tuple[str, ...]:
    """The contract's name, which a waiver may name."""
    kind, _, rest = where.partition(" ")
    return (rest.partition(",")[0],) if kind == "contract" else ()


def _in_words(differing: list[Row], *, right: bool) -> str:
    """What one side has where the first difference is."""
    if not differing:
        return "another type"
    row = differing[0]
    if right and row.left and len(differing) > 1 and row.right is None and differing[1].left is None:
        other = differing[1]  # one member of two kinds has a row for each
        if row.goes_on or (other.right and other.right.place == row.left.place):
            row = other
    cell = row.right if right else row.left
    if cell is None:
        return f"no {row.label}"
    return f"{row.label} {_place(cell)}"


def _place(cell: Cell) -> str:
    if cell.size.startswith("="):
        return cell.size
    size = format_size(int(cell.size)) if cell.size.isdecimal() else cell.size
    size = "size not known" if size == "?" else size
    if not cell.place:
        return size if cell.size == "?" else f"of {size}"
    byte, _, bit = cell.place.partition(":")
    return f"at byte {byte}, bit {bit}, {size}," if bit else f"at byte {byte}, {size},"
