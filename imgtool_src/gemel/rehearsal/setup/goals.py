"""The layout's goals with their symbols resolved."""

from __future__ import annotations

from gemel.errors import BuildError, Problem
from gemel.inspection.inspection import Inspection
from gemel.layout.addresses import locate
from gemel.layout.rehearsal_model import Goal, RehearsalPlan
from gemel.rehearsal.plan import GoalPlan
from gemel.spans import format_address


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
