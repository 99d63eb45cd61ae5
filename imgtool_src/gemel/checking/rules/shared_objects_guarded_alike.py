"""Rule ``shared-objects-guarded-alike``: what one side calls volatile or atomic, the other does too."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.contract.access import DeclaredAccess, of_one_side, of_shared_objects
from gemel.checking.rule import Rule
from gemel.inspection.wording import concerned
from gemel.outcomes import Finding, Holds, Outcome


@of_shared_objects
def check(first: DeclaredAccess, other: DeclaredAccess) -> Iterator[Outcome]:
    """One outcome for each object that two builds have under one name in shared areas."""
    names = f"builds {first.of.plan.name} and {other.of.plan.name}"
    in_rust = "Rust" in (first.language, other.language)
    member = "" if in_rust or not first.guarded or not other.guarded else of_one_side(first, other)
    if member:
        yield _of_member(first, other, member)
        return
    if first.guarded == other.guarded or in_rust:
        yield Holds(f"{other.of.symbol.name} in {names}")
        return
    plain, guarded = (first, other) if other.guarded else (other, first)
    name, plan = plain.of.symbol.name, plain.of.plan
    yield Finding(
        f"build {plan.name} shares {name} as a plain object, and build {guarded.of.plan.name} as {guarded.words}",
        concerned(plan.name, guarded.of.plan.name, plan.core, guarded.of.plan.core, plain.area),
        where=f"{name} in {names}",
        found=f"neither volatile nor atomic in build {plan.name} ({plain.of.build.file})",
        expected=f"{guarded.words}, as in build {guarded.of.plan.name} ({guarded.of.build.file})",
        span=plain.of.plain,
        next_step="declare it in one header that both builds include",
    )


def _of_member(first: DeclaredAccess, other: DeclaredAccess, member: str) -> Finding:
    plain, guarded = (other, first) if dict(first.members)[member] else (first, other)
    name, plan = f"{plain.of.symbol.name}.{member}", plain.of.plan
    return Finding(
        f"build {plan.name} has {name} as a plain member, and build {guarded.of.plan.name} as volatile or atomic",
        concerned(plan.name, guarded.of.plan.name, plan.core, guarded.of.plan.core, plain.area),
        where=f"{plain.of.symbol.name} in builds {first.of.plan.name} and {other.of.plan.name}",
        found=f"neither volatile nor atomic in build {plan.name} ({plain.of.build.file})",
        expected=f"as in build {guarded.of.plan.name} ({guarded.of.build.file})",
        span=plain.of.plain,
        next_step="declare it in one header that both builds include",
    )


RULE = Rule(
    name="shared-objects-guarded-alike",
    severity="warning",
    guards="device",
    checks="An object that two builds share is volatile or atomic, or has the same members that are, in both builds or "
    "in neither, as their debug information says; Rust, where each access says it, is left alone.",
    why="A compiler keeps a plain object in a register, leaves out what seems to be stored twice and moves "
    "accesses around each other. The core that does so waits for ever for a flag that the other one has long "
    "set, or sees it before the data it stands for; another optimisation level hides it.",
    remedy="Declare what is shared as volatile or atomic in a header that both builds include, or access it "
    "through functions that have barriers on both sides.",
    source="ISO/IEC 9899:2011, section 6.7.3, paragraph 7 (volatile), and section 7.17 (atomics); both from memory",
    absent="no two builds have an object of one name in a shared area, or none has debug information",
    check=check,
    only_with="shared areas",
)
