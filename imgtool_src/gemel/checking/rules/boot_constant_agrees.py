"""Rule ``boot-constant-agrees``: the primary sends each secondary to where its vectors are."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.code.address_literals import holders_of
from gemel.inspection.cores.vector_tables import addresses_of_table, boot_table, likely_tables, table_span
from gemel.inspection.cores.views import distance, whereabouts
from gemel.inspection.inspection import Inspection
from gemel.inspection.instead_of_tables import vector_builds
from gemel.inspection.wording import copied_elsewhere, needs_elf
from gemel.layout.addresses import locate
from gemel.layout.model import BuildPlan
from gemel.m_profile.code.known_registers import VTOR
from gemel.outcomes import Finding, Holds, Need, NotChecked, Outcome, Reason
from gemel.placement.places import SymbolNotPlaced, starting_plan
from gemel.placement.placing import forgotten_run_area
from gemel.spans import Span, format_address
from gemel.structs import NamedTuple, replace


class NamedConstant(NamedTuple):
    """A constant that a contract names: ``place`` in the image, the ``value`` there, in ``table`` or alone."""

    contract: str
    build: str
    symbol: str
    place: Span
    value: int
    table: Span

    @property
    def where(self) -> str:
        """Where it is, for people."""
        at = format_address(self.place.start)
        return f"contract {self.contract}, constant {self.symbol} of build {self.build} at {at}"


class Start(NamedTuple):
    """A vector table of a secondary at ``address`` as its core sees it, ``plain`` for the others.

    ``declared`` is the address that the layout gives it, if its table was found elsewhere.
    """

    plan: BuildPlan
    address: int
    plain: int
    declared: int | None

    def __str__(self) -> str:
        return f"{format_address(self.address)}, the vector table of build {self.plan.name}"


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each constant, and one for secondaries that no contract has a constant for."""
    secondaries = [core.name for core in inspection.layout.secondaries()]
    if not secondaries and not _loads_own(inspection):
        return
    starts, hidden = _starts(inspection)
    constants: list[NamedConstant] = []
    for found in _constants(inspection, starts):
        if isinstance(found, NamedConstant):
            constants.append(found)
        else:
            yield found
    fitting = {constant: _fitting(inspection, constant, starts) for constant in constants}
    matched = _matched(fitting)
    rest = [start for start in starts if start.plan.core not in matched.values()]
    for constant, fits in fitting.items():
        followers = _followers(inspection, constant)
        sent = _sent_to(inspection, constant, starts)
        following = [start for start in followers if _leads_to(inspection, constant, start)]
        if following and constant not in matched and not sent:
            yield from _of_loader(inspection, constant, following[0], followers)
            continue
        others = {start.plan.core for other in constants if other != constant for start in fitting[other]}
        if fits and all(start.plan.core in others for start in fits):
            missed = [start for start in followers if _is_left_out(inspection, constant, start)]
            if missed:
                yield _finding(inspection, _field_for(inspection, constant, missed), [], missed)
                continue
        core = matched.get(constant) or (fits[0].plan.core if fits and not rest else None)
        if core:
            yield Holds(f"constant {constant.symbol} of build {constant.build} for core {core}")
        elif hidden:
            yield NotChecked(constant.where, hidden)
        else:
            near = [start for start in followers if _area_holds(inspection, start, constant.value)]
            yield _finding(inspection, constant, fits, sent or near or [*(rest or starts), *followers])
    named = {boot for each in inspection.layout.contracts.values() if (boot := each.boot_symbol)}
    if len(named) < len(secondaries):
        yield NotChecked(
            ", ".join(f"core {name}" for name in secondaries if name not in matched.values()),
            Reason(
                "no contract names the constant that holds its vector address (boot_symbol)",
                Need("layout", "contract.boot_symbol"),
            ),
        )


def _matched(fitting: dict[NamedConstant, list[Start]]) -> dict[NamedConstant, str]:
    """A core for each constant that fits one, no core twice; those that fit fewest choose first."""
    matched: dict[NamedConstant, str] = {}
    for constant in sorted(fitting, key=lambda each: len(fitting[each])):
        free = [start.plan.core for start in fitting[constant] if start.plan.core not in matched.values()]
        if free:
            matched[constant] = free[0]
    return matched


def _constants(inspection: Inspection, starts: list[Start]) -> Iterator[NamedConstant | Finding | NotChecked]:
    seen = set()
    for contract in inspection.layout.contracts.values():
        boot = contract.boot_symbol
        if boot is None or boot in seen:
            continue
        seen.add(boot)
        try:
            table = boot_table(inspection, boot)
        except SymbolNotPlaced as error:
            from gemel.checking.findings.undefined_constants import is_lacking, not_defined

            build = inspection.builds.get(boot.build)
            if build and build.symbols and is_lacking(inspection, build, boot.symbol):
                finding = not_defined(contract, error, [start.plan for start in starts])
                without_code = ("handlers-executable", "reset-handler-in-code")
                causes = () if build.symbols.code_sections else without_code
                yield replace(finding, follows_from=tuple((rule, build.name) for rule in causes))
                continue
            missing = needs_elf(boot.build, inspection.builds.get(boot.build), "symbols")
            reason = missing or "; ".join(str(problem) for problem in error.problems)
            yield NotChecked(
                f"contract {contract.name}, constant {boot.symbol} of build {boot.build}", reason
            )
            continue
        place = Span(table.start, 4)
        word = inspection.word_at(table.start)
        first = NamedConstant(contract.name, boot.build, boot.symbol, place, word, table)
        fields = list(_fields(inspection, first))
        yield _vector_field(inspection, fields, starts)


def _sent_to(inspection: Inspection, constant: NamedConstant, starts: list[Start]) -> list[Start]:
    """The tables of secondaries to whose vector registers an application writes the constant, and none of theirs."""
    found: list[Start] = []
    starts_first = inspection.layout.builds[constant.build] is starting_plan(inspection.layout)
    if starts_first or constant.build not in inspection.builds:
        return found
    for core in inspection.layout.secondaries():
        own = [start for start in starts if start.plan.core == core.name]
        settings = inspection.core_settings.get(constant.build, ()) if core.release and own else ()
        values = {
            each.store.value
            for each in settings
            if core.release and each.store.target == core.release.vector_register
        }
        if constant.value in values and not any(
            _fits(inspection, constant._replace(value=value), start)
            for value in values
            for start in own
            if value is not None
        ):
            found += own
    return found


def _fields(inspection: Inspection, constant: NamedConstant) -> Iterator[NamedConstant]:
    for start in range(constant.table.start, constant.table.end - 3, 4):
        yield constant._replace(place=Span(start, 4), value=inspection.word_at(start))


def _field_for(inspection: Inspection, constant: NamedConstant, due: list[Start]) -> NamedConstant:
    """The field of the same table that leads into the area of one of ``due``, if any does."""
    areas = [inspection.layout.span_of(start.plan.stored_in) for start in due]
    fields = _fields(inspection, constant)
    return next((each for each in fields if any(area.holds(each.value) for area in areas)), constant)


def _is_left_out(inspection: Inspection, constant: NamedConstant, start: Start) -> bool:
    """Whether nothing in the code that holds a constant leads to a table, at which its core does not start."""
    placed = inspection.placed.get(constant.build)
    if placed is None or start.plan is starting_plan(inspection.layout):
        return False
    data = inspection.bytes_of(placed.stored)
    addresses = addresses_of_table(inspection.layout, start.plan, inspection.placed[start.plan.name])
    return not any(next(holders_of(each, data, placed.stored.start), None) for each in addresses)


def _vector_field(inspection: Inspection, fields: list[NamedConstant], starts: list[Start]) -> NamedConstant:
    """The field of a table that holds the address of vectors: that of a known table, else in any build's area."""
    due = [*starts, *_followers(inspection, fields[0])]
    areas = [inspection.layout.span_of(start.plan.stored_in) for start in due]
    fitting = (each for each in fields if any(_fits(inspection, each, start) for start in due))
    likely = (each for each in fields if any(area.holds(each.value) for area in areas))
    return next(fitting, None) or next(likely, fields[0])


def _starts(inspection: Inspection) -> tuple[list[Start], str]:
    """The vector tables of the secondaries, and why that of some of them is not known, if so."""
    starts: list[Start] = []
    hidden: list[str] = []
    plans = vector_builds(inspection.layout)
    for core in inspection.layout.secondaries():
        own = [plan for plan in plans if plan.core == core.name]
        if not own:
            hidden.append(f"core {core.name} has no build in an area of purpose code")
        for plan in own:
            if start := _start(inspection, plan):
                starts.append(start)
            else:
                hidden.append(f"the vector table of build {plan.name} is blank, see vector-table-not-blank")
    return starts, "; ".join(hidden)


def _start(inspection: Inspection, plan: BuildPlan) -> Start | None:
    """Where a build's vector table is: as the layout says, or the only likely one if it is not there."""
    placed = inspection.placed.get(plan.name)
    declared = table_span(inspection.layout, plan)
    instead = inspection.instead_of_tables.get(plan.name) if placed else None
    elsewhere = [instead.table] if instead and instead.table else []
    blank = inspection.starts_blank(declared.start) or bool(elsewhere)
    likely = (elsewhere or likely_tables(inspection, plan)) if blank else [declared.start]
    if placed is None or len(likely) != 1:
        return None
    address = placed.run_address(likely[0])
    located = locate(inspection.layout, address, plan.core)
    plain = located.plain if located else address
    return Start(plan, address, plain, placed.vector_address if blank else None)


def _loads_own(inspection: Inspection) -> bool:
    """Whether a contract's constant may be for another build of the same core."""
    layout = inspection.layout
    named = [contract.boot_symbol.build for contract in layout.contracts.values() if contract.boot_symbol]
    cores = [layout.builds[name].core for name in named]
    return any(plan.core in cores and plan.name not in named for plan in vector_builds(layout))


def _followers(inspection: Inspection, constant: NamedConstant) -> list[Start]:
    """The vector tables of other builds for the constant's own core, which a boot loader goes on to."""
    core = inspection.layout.builds[constant.build].core
    plans = [
        plan for plan in vector_builds(inspection.layout) if plan.core == core and plan.name != constant.build
    ]
    return [start for plan in plans if (start := _start(inspection, plan))]


def _fits(inspection: Inspection, constant: NamedConstant, start: Start) -> bool:
    return distance(inspection.layout, start.plan.core, start.address, constant.value) == 0


def _area_holds(inspection: Inspection, start: Start, address: int) -> bool:
    return inspection.layout.span_of(start.plan.stored_in).holds(address)


def _leads_to(inspection: Inspection, constant: NamedConstant, start: Start) -> bool:
    """Whether it is the address of a table, or one before it from which the code goes on to the table."""
    if _fits(inspection, constant, start):
        return True
    run, placed = inspection.start_runs.get(constant.build), inspection.placed[start.plan.name]
    if run is None or not placed.run_start <= constant.value < start.address:
        return False
    settings = inspection.core_settings.get(constant.build, ())
    if any(each.store.target == VTOR and each.store.value == start.address for each in settings):
        return True
    return any(Span(placed.run_start, placed.stored.size).holds(end.at) for end in run.ends)


def _of_loader(
    inspection: Inspection, constant: NamedConstant, goal: Start, followers: list[Start]
) -> Iterator[Finding | Holds]:
    """A constant that leads to ``goal``, and each field of its table that misses the table of another application."""
    missed = False
    for start in followers:
        field = _field_for(inspection, constant, [start])
        if field.place != constant.place and _is_left_out(inspection, constant, start):
            missed = True
            yield _finding(inspection, field, [], [start])
    if not missed:
        yield Holds(f"constant {constant.symbol} of build {constant.build} for build {goal.plan.name}")


def _fitting(inspection: Inspection, constant: NamedConstant, starts: list[Start]) -> list[Start]:
    return [start for start in starts if _fits(inspection, constant, start)]


def _finding(
    inspection: Inspection, constant: NamedConstant, taken: list[Start], due: list[Start]
) -> Finding:
    """What is wrong with a constant; ``taken`` it fits, ``due`` are the tables that it could name instead."""
    cores = list(dict.fromkeys(start.plan.core for start in due))
    parties = [constant.build, constant.contract, *cores, *(start.plan.name for start in due)]
    if taken:
        what = f"build {constant.build} would release core {taken[0].plan.core} twice and another core never"
    elif cores == [inspection.layout.builds[constant.build].core]:
        names = " or ".join(dict.fromkeys(start.plan.name for start in due))
        what = f"build {constant.build} would go on to where build {names} has no vector table"
    elif len(cores) == 1:
        what = f"build {constant.build} would release core {cores[0]} with the wrong vector table"
    else:
        what = f"build {constant.build} would send a core to where no build has its vector table"
    seen: dict[str, list[str]] = {}
    for core in cores:
        there = seen.setdefault(_seen(inspection, core, constant.value), [])
        there += [core] if locate(inspection.layout, constant.value, core) else []
    places = [
        f"for core{'s' if there[1:] else ''} {' and '.join(there)} {text}" if there else text
        for text, there in seen.items()
    ]
    return Finding(
        what,
        tuple(dict.fromkeys(parties)),
        where=constant.where,
        found=f"{format_address(constant.value)}, {' and '.join(places)}",
        expected=" or ".join(map(str, due)),
        span=constant.place,
        next_step=_next_step(inspection, constant, due),
        follows_from=tuple(_causes(inspection, constant, due)),
    )


def _causes(inspection: Inspection, constant: NamedConstant, due: list[Start]) -> Iterator[tuple[str, str]]:
    """A table that is not where the constant and the layout have it, or that runs elsewhere than the layout says."""
    for start in due:
        declared = start.declared
        if declared is not None and not distance(
            inspection.layout, start.plan.core, declared, constant.value
        ):
            yield "vector-table-not-blank", start.plan.name
        if forgotten_run_area(inspection.layout, start.plan, constant.value):
            yield "reset-handler-in-code", start.plan.name
        yield copied_elsewhere(start.plan.name)


def _seen(inspection: Inspection, core: str, address: int) -> str:
    """What a core that is sent to ``address`` finds there."""
    text = whereabouts(inspection, core, address)
    located = locate(inspection.layout, address, core)
    if located is None or not located.memory.holds_image or located.offset + 8 > located.memory.size:
        return text
    words = [format_address(inspection.word_at(located.plain + offset)) for offset in (0, 4)]
    return f"{text}, where the image has {' and '.join(words)}"


def _next_step(inspection: Inspection, constant: NamedConstant, due: list[Start]) -> str:
    """What to do, where the constant shows which mistake it was."""
    seen = locate(inspection.layout, constant.value)
    for start in due:
        own, build = format_address(start.address), constant.build
        if forgotten := forgotten_run_area(inspection.layout, start.plan, constant.value):
            return forgotten
        if seen and seen.plain == start.plain:
            return f"core {start.plan.core} sees this place at {own}: build {build} with that address"
        if start.declared is not None and start.declared == constant.value:
            return (
                f"build {build} and the layout count on {format_address(start.declared)}, where there is "
                f"nothing: link build {start.plan.name} for it, or change both to {own}"
            )
    return ""


RULE = Rule(
    name="boot-constant-agrees",
    severity="error",
    guards="device",
    checks="The constant in the primary's code that each contract names as boot_symbol holds, in the image, the "
    "address at which a secondary sees its own vector table, or that of another build of the same core, such "
    "as a boot loader; no secondary lacks such a constant while another has two; in a table of several fields "
    "one field holds it.",
    why="The primary writes this constant into the secondary's vector register and releases it. When the second "
    "build has moved and the first was not rebuilt, the secondary takes its stack pointer and first address "
    "from erased flash or the middle of a function, and locks up silently; the primary waits for it for ever.",
    remedy="Have the join write it, with a stamp of value = { vectors_of = the secondary's build } at this constant; "
    "or rebuild the primary with the address at which the secondary's vector table is.",
    source="common practice: the boot address word must name a vector table of that core's build",
    absent="the layout has no secondary core, and no second build for the core of a constant",
    check=check,
)
