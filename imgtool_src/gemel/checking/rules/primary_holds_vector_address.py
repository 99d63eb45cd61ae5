"""Rule ``primary-holds-vector-address``: the primary's code holds the address of each secondary's vectors."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.code.address_literals import holders_of
from gemel.inspection.cores.code_settings import chosen_stores
from gemel.inspection.cores.vector_tables import address_in, addresses_of_table, table_span
from gemel.inspection.cores.views import distance
from gemel.inspection.inspection import Inspection
from gemel.inspection.instead_of_tables import vector_builds
from gemel.inspection.wording import concerned, copied_elsewhere
from gemel.layout.model import BuildPlan
from gemel.outcomes import NOT_FOUND, Finding, Holds, NotChecked, Outcome
from gemel.placement.placed import PlacedBuild
from gemel.spans import Span, format_address


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build of a secondary that has vectors; of several on one core, the primary starts one."""
    layout = inspection.layout
    with_vectors = vector_builds(layout)
    for core in layout.secondaries():
        plans = [plan for plan in layout.builds_of(core.name) if plan in with_vectors]
        outcomes = [_outcome(inspection, plan) for plan in plans]
        holding = [each for each in outcomes if isinstance(each, Holds)]
        yield from holding or outcomes[:1]


def _outcome(inspection: Inspection, plan: BuildPlan) -> Outcome:
    primary = inspection.layout.primary().name
    code = [placed for placed in inspection.placed.values() if placed.core == primary]
    placed = inspection.placed.get(plan.name)
    if placed is None:
        return NotChecked(f"build {plan.name}", NOT_FOUND)
    if not code:
        return NotChecked(
            f"build {plan.name}", f"nothing of a build of core {primary} was found in the image"
        )
    for each in code:
        for address in addresses_of_table(inspection.layout, plan, placed):
            if held := _held(inspection, address, each):
                return Holds(f"build {plan.name}: build {each.name} holds {held}")
    if written := _written(inspection, plan, placed, code):
        return Holds(f"build {plan.name}: {written}")
    return _finding(inspection, plan, placed, code)


def _held(inspection: Inspection, address: int, holder: PlacedBuild) -> str:
    """How and where a build of the primary holds ``address``; empty where it does not.

    Its initial stack pointer does not count: RAM of the secondary may begin where that of the primary ends.
    """
    layout, plan = inspection.layout, inspection.layout.builds[holder.name]
    stack = table_span(layout, plan).start
    for span in (holder.stored, *map(layout.span_of, plan.also_stored_in)):
        for held in holders_of(address, inspection.bytes_of(span), span.start):
            if span.start + held.offset != stack:
                return (
                    f"{format_address(address)} as {held.how} at {format_address(span.start + held.offset)}"
                )
    return ""


def _written(inspection: Inspection, plan: BuildPlan, placed: PlacedBuild, code: list[PlacedBuild]) -> str:
    """Where code is known to write the address to the vector register, however it makes it; empty if nowhere."""
    release = inspection.layout.cores[plan.core].release
    addresses = set(addresses_of_table(inspection.layout, plan, placed))
    for each in code if release else ():
        for setting in inspection.core_settings.get(each.name, ()):
            store = setting.store
            if (
                release
                and store.target == release.vector_register
                and address_in(release, store.value) in addresses
            ):
                return f"build {each.name} writes {format_address(store.value or 0)} at {setting.place}"
        for store in (release and chosen_stores(inspection, each.name, release.vector_register)) or ():
            if release and address_in(release, store.value) in addresses:
                return f"build {each.name} may write {format_address(store.value or 0)} at {format_address(store.at)}"
    return ""


def _finding(
    inspection: Inspection, plan: BuildPlan, placed: PlacedBuild, code: list[PlacedBuild]
) -> Finding:
    names = [each.name for each in code]
    vectors = table_span(inspection.layout, plan)
    lines = []
    plain = vectors.start
    if distance(inspection.layout, plan.core, placed.vector_address, plain) and any(
        _held(inspection, plain, each) for each in code
    ):
        lines.append(f"it holds {format_address(plain)}, at which the table is stored")
    return Finding(
        f"nothing in the code of core {code[0].core} holds the vector address of core {plan.core}",
        concerned(plan.name, plan.core, *names),
        where=f"build{'s' if len(names) > 1 else ''} {' and '.join(names)}",
        found="no word, and no one or two instructions, that give it: a hint, since code may compute it",
        expected=f"{format_address(placed.vector_address)}, the vector table of build {plan.name}",
        span=Span.from_bounds(code[0].stored.start, code[0].stored.end),
        lines=tuple(lines),
        follows_from=(
            ("boot-constant-agrees", plan.name),
            ("release-value-agrees", plan.core),
            ("start-releases-secondary", plan.core),
            copied_elsewhere(plan.name),
            ("vector-table-aligned", plan.name),
            ("vector-table-not-blank", plan.name),
            ("reset-handler-in-code", plan.name),
            *(
                (rule, name)
                for name in names
                for rule in ("vector-table-not-blank", "reset-handler-in-code", "vector-table-complete")
            ),
        ),
    )


RULE = Rule(
    name="primary-holds-vector-address",
    severity="note",
    guards="device",
    checks="Somewhere in the stored bytes of the primary's builds, the address at which each secondary "
    "sees its vector table, that of one of its builds, is an aligned word, word 0 of a vector table excepted, or is "
    "put together by one instruction or a pair of them, or is what code is known to write to the vector register, be "
    "it one of a few values by what a device answers.",
    why="The primary must write this address into the secondary's vector register. An image whose primary "
    "does not hold it was, in most cases, built for another place of the second build, which then never "
    "starts. It is a hint: code may compute the address, or read it from a register or from the second "
    "build itself.",
    remedy="Name the constant that holds the address as boot_symbol in a contract, so that it is checked "
    "itself; where the address is computed or a boot ROM starts the secondary, waive this rule.",
    source="common practice; Armv7-M Architecture Reference Manual, section A7.7, MOV (immediate) and MOVT "
    "(encodings, from memory)",
    absent="no secondary core has a build in an area of purpose code",
    check=check,
)
