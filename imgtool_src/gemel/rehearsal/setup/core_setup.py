"""What a core's plan says: goals, stacks, the emulator's core that serves, permissions by address.

The numbers of cores are those that unicorn 2.1.4 gives its M-profile cores; what each of them executes was measured
(``tests/rehearse/test_profiles.py``).
"""

from __future__ import annotations

from gemel.builds.build import Build
from gemel.errors import BuildError, Problem
from gemel.inspection.cores.views import area_as_seen, stack_area
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import owned_areas
from gemel.layout.addresses import locate, starts_of
from gemel.layout.model import Core, Layout
from gemel.layout.rehearsal_model import Goal, RehearsalPlan
from gemel.placement.placed import has_vectors
from gemel.rehearsal.plan import NEVER_EXECUTED, Closed, GoalPlan
from gemel.spans import Span, format_address, merge, without


def goals_of(inspection: Inspection, described: RehearsalPlan) -> tuple[tuple[GoalPlan, ...], list[Problem]]:
    """The goals, and what is wrong with those that are left out."""
    goals: list[GoalPlan] = []
    problems: list[Problem] = []
    for goal in described.goals:
        resolved = _goal(inspection, goal)
        if isinstance(resolved, Problem):
            problems.append(resolved)
        else:
            goals.append(resolved)
    return tuple(goals), problems


def _goal(inspection: Inspection, goal: Goal) -> GoalPlan | Problem:
    if goal.symbol is not None:
        return _symbol_goal(inspection, goal.core, goal.symbol)
    if goal.address is not None:
        label = f"{goal.core} reaches {format_address(goal.address)}"
        return GoalPlan(goal.core, label, address=goal.address & ~1)
    if goal.text is not None:
        return GoalPlan(goal.core, f'{goal.core} sends "{goal.text}"', text=goal.text)
    word = goal.word
    located = locate(inspection.layout, word.at) if word else None
    if word is None or located is None or located.memory.kind == "device":
        return Problem(
            "a goal's word is in no memory",
            where=f"core {goal.core}",
            found=format_address(word.at) if word else "",
            expected="an address of RAM",
        )
    label = f"the word at {format_address(word.at)} becomes {format_address(word.value)}"
    return GoalPlan(goal.core, label, word=(located.memory.name, located.offset, word.value, word.mask))


def _symbol_goal(inspection: Inspection, core: str, symbol: str) -> GoalPlan | Problem:
    builds = [
        placement.build
        for name, placement in inspection.placements.items()
        if inspection.layout.builds[name].core == core and placement.build.symbols
    ]
    if not builds:
        names = [name for name, plan in inspection.layout.builds.items() if plan.core == core]
        needed = ", ".join(f"{name}=FILE" for name in names) or "a build of that core"
        return Problem(
            f"the address of {symbol} is not known",
            where=f"goal of core {core}",
            found="no ELF file",
            expected=f"the ELF file: {needed}",
            next_step="give it, or write address = ... in place of symbol in [[rehearsal.goal]]",
        )
    problems: list[Problem] = []
    for build in builds:
        try:
            found = build.symbols.one(symbol) if build.symbols else None
        except BuildError as error:
            problems.extend(error.problems)
            continue
        if found is not None:
            return GoalPlan(core, f"{core} reaches {symbol}", address=found.address & ~1)
    return problems[0]


def stack_limit_of(inspection: Inspection, core: str) -> int | None:
    """The lowest address (as the core sees it) that belongs to its initial stack; None if nothing shows.

    The layout's ``stack_size`` goes first.  Else the build shows: what it sets aside for nothing but the
    stack, and otherwise the end of its highest variable below the initial stack pointer.
    """
    pointer = _initial_pointer(inspection, core)
    if pointer is None:
        return None
    described = inspection.layout.rehearsal
    if described and core in described.stack_sizes:
        return max(0, pointer - described.stack_sizes[core])
    area = stack_area(inspection, core, pointer)
    builds = [
        placement.build
        for name, placement in inspection.placements.items()
        if inspection.layout.builds[name].core == core and placement.build.symbols
    ]
    if area is None or not builds:
        return None
    return max(
        _limit_by_build(build, area_as_seen(inspection.layout, area, core).start, pointer) for build in builds
    )


def _initial_pointer(inspection: Inspection, core: str) -> int | None:
    for name, plan in inspection.layout.builds.items():
        if plan.core == core and has_vectors(inspection.layout, name):
            table = inspection.vector_table(name)
            if table:
                return table.words[0] & ~3
    return None


def _limit_by_build(build: Build, lowest: int, pointer: int) -> int:
    limit = lowest
    variables = []
    for symbol in build.all_symbols:
        if symbol.kind == "object" and symbol.defined and symbol.size and lowest <= symbol.address < pointer:
            variables.append(symbol.span)
    for span in variables:
        # A stack that is a variable itself begins where that begins.
        limit = max(limit, span.start if span.end >= pointer else span.end)
    for span in (span for segment in build.segments for span in segment.taken_unstored):
        alone = not any(span.overlaps(each) for each in variables)
        if alone and span.start < pointer <= span.end:
            limit = max(limit, span.start)
    return limit


ARMV6_M, ARMV7_M, ARMV7E_M, ARMV7E_M_DOUBLE, ARMV8_M_MAIN = 7, 8, 9, 10, 11

_SUPERSET_WORDS = "instructions that {core} lacks are reported where they are executed"


def emulated_as(core: Core) -> int:
    """The emulator's number of the nearest core that can do at least what this one can, where it has one."""
    if core.architecture == "armv6-m":
        return ARMV6_M
    if core.architecture == "armv7-m":
        return ARMV7_M
    if core.architecture == "armv7e-m":
        return ARMV7E_M_DOUBLE if "fp-double" in core.extensions else ARMV7E_M
    return ARMV8_M_MAIN


def profile_notes(core: Core) -> list[str]:
    """What to say of this core's emulation; nothing where the emulator has exactly such a core."""
    notes = []
    has_float = bool({"fp", "fp-double", "mve-fp"} & set(core.extensions))
    if core.architecture == "armv7e-m" and not (has_float and "dsp" in core.extensions):
        stand_in = "an Armv7E-M core with DSP and float instructions"
        notes.append(f"{core.name}: emulated as {stand_in}; {_SUPERSET_WORDS.format(core=core.name)}")
    if core.architecture == "armv8-m.base" or (
        core.architecture == "armv8-m.main" and not (has_float and "dsp" in core.extensions)
    ):
        stand_in = "an Armv8-M Mainline core with DSP and single-precision float instructions"
        notes.append(f"{core.name}: emulated as {stand_in}; {_SUPERSET_WORDS.format(core=core.name)}")
    if core.architecture == "armv8.1-m.main":
        notes.append(
            f"{core.name}: the emulator has no Armv8.1-M core; emulated as Armv8-M Mainline, so vector and "
            "low-overhead loop instructions end the rehearsal of this core without a verdict"
        )
    elif core.architecture == "armv8-m.main" and "fp-double" in core.extensions:
        notes.append(
            f"{core.name}: the emulator's Armv8-M core has no double-precision arithmetic; such an "
            "instruction ends the rehearsal of this core without a verdict"
        )
    if core.architecture in ("armv6-m", "armv8-m.base"):
        notes.append(
            f"{core.name}: {core.architecture} faults on unaligned accesses; each would be reported"
            + ("" if core.architecture == "armv6-m" else ", but only with the watch alignment")
        )
    return notes


def as_seen(layout: Layout, plain: Span, core: str) -> list[Span]:
    """Every place at which ``core`` sees a plain span of one memory."""
    located = locate(layout, plain.start)
    if located is None:
        return [plain]
    return [Span(start + located.offset, plain.size) for start in starts_of(located.memory, core)]


def executable_spans(inspection: Inspection, core: Core) -> list[Span]:
    """Where the core's code may be, as it sees it.

    Rom, and areas of purpose code that are not another core's; of those that hold given builds as ELF files
    only what these files mark as executable, wherever that runs: another core's too, which may lend a function.
    """
    layout = inspection.layout
    plain = [memory.span for memory in layout.memories.values() if memory.kind == "rom"]
    plain += [layout.span_of(area) for area in _code_areas(inspection, core)]
    seen = [span for each in plain for span in as_seen(layout, each, core.name)]
    for name, placement in inspection.placements.items():
        owner = layout.builds[name].core
        for segment in placement.build.segments if placement.build.kind == "elf" else ():
            if segment.executable and segment.memory_size:
                located = locate(layout, segment.run_address, owner)
                seen += [segment.run_span] if owner == core.name else []
                if located:
                    seen += as_seen(layout, Span(located.plain, segment.memory_size), core.name)
    return merge(seen)


def loadable_spans(inspection: Inspection, core: Core) -> list[Span]:
    """RAM from which the core may run what was written there: all that is not another core's own.

    Addresses that the default memory map never executes are left out.
    """
    layout = inspection.layout
    ram = [memory for memory in layout.memories.values() if memory.kind == "ram"]
    seen = [Span(start, memory.size) for memory in ram for start in starts_of(memory, core.name)]
    others = [
        span
        for other in layout.cores
        if other != core.name
        for area in owned_areas(layout, other)
        for span in as_seen(layout, layout.span_of(area), core.name)
    ]
    return without(merge(seen), [*others, *NEVER_EXECUTED])


def _code_areas(inspection: Inspection, core: Core) -> list[str]:
    """The areas of purpose code in which the core may execute anything."""
    layout = inspection.layout
    with_elf = _elf_builds(inspection, core.name)
    own, others, known = set(owned_areas(layout, core.name)), set[str](), set[str]()
    for name, plan in layout.builds.items():
        areas = {plan.stored_in, plan.runs_in or plan.stored_in}
        if plan.core != core.name:
            others |= areas
            continue
        own |= areas
        known |= areas if name in with_elf else set()
    for other in layout.cores:
        others |= set(owned_areas(layout, other)) if other != core.name else set()
    return [
        area.name
        for area in layout.areas.values()
        if area.purpose == "code" and area.name not in known and (area.name in own or area.name not in others)
    ]


def _elf_builds(inspection: Inspection, core: str) -> dict[str, Build]:
    """The core's given builds that say what of them is code."""
    return {
        name: placement.build
        for name, placement in inspection.placements.items()
        if inspection.layout.builds[name].core == core and placement.build.kind == "elf"
    }


def closed_spans(inspection: Inspection, core: Core) -> list[Closed]:
    """Other cores' RAM, and code of this core that was copied to RAM."""
    layout = inspection.layout
    closed = []
    for other in layout.cores.values():
        if other.name == core.name:
            continue
        copied = {plan.runs_in for plan in layout.builds.values() if plan.core == other.name and plan.runs_in}
        for area in owned_areas(layout, other.name):
            after = other.name if area in copied and core.role == "primary" else ""
            for span in as_seen(layout, layout.span_of(area), core.name):
                closed.append(Closed(span, "write-to-other-core", area, after))
    for name, build in _elf_builds(inspection, core.name).items():
        for segment in build.segments if layout.builds[name].runs_in else ():
            if segment.executable and not segment.writable and segment.data:
                closed.append(Closed(segment.run_span, "write-to-own-code", name))
    return closed
