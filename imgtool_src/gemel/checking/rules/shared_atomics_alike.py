"""Rule ``shared-atomics-alike``: what is atomic for one side is atomic for the other."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.contract.access import DeclaredAccess, of_shared_objects
from gemel.checking.rule import Rule
from gemel.inspection.wording import concerned
from gemel.outcomes import Finding, Holds, Outcome


@of_shared_objects
def check(first: DeclaredAccess, other: DeclaredAccess) -> Iterator[Outcome]:
    """One outcome for each object that two builds share and that is atomic in one of them."""
    names = f"builds {first.of.plan.name} and {other.of.plan.name}"
    where = f"{other.of.symbol.name} in {names}"
    plain_too = not (first.guarded and other.guarded)
    if first.atomic == other.atomic or plain_too:
        yield Holds(where)
        return
    atomic, volatile = (first, other) if first.atomic else (other, first)
    plan = volatile.of.plan
    yield Finding(
        f"{atomic.of.symbol.name} is atomic in build {atomic.of.plan.name} and not in build {plan.name}",
        concerned(plan.name, atomic.of.plan.name, plan.core, atomic.of.plan.core, volatile.area),
        where=where,
        found=f"{volatile.words} in build {plan.name} ({volatile.of.build.file})",
        expected=f"atomic, as in build {atomic.of.plan.name} ({atomic.of.build.file})",
        span=volatile.of.plain,
        follows_from=(("shared-objects-guarded-alike", where),),
    )


RULE = Rule(
    name="shared-atomics-alike",
    severity="note",
    guards="device",
    checks="An object that is atomic in one of two builds that share it is atomic in the other, as their debug "
    "information says.",
    why="An atomic access orders what comes before and after it; a volatile one does not, and its changes are a "
    "load and a store between which the other core may write. Where both sides only load and store whole words, "
    "and have barriers, it works anyway.",
    remedy="Make it atomic on both sides, or make sure that the other side has the barriers that it needs.",
    source="ISO/IEC 9899:2011, section 5.1.2.4 (from memory); common practice",
    absent="no two builds have an object of one name in a shared area, or none has debug information",
    check=check,
    only_with="shared areas",
)
