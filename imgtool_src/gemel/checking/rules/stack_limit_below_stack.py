"""Rule ``stack-limit-below-stack``: the limit that code sets for the main stack leaves room for it."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.code.core_settings import Setting
from gemel.inspection.cores.code_settings import CoreCode, core_code
from gemel.inspection.cores.views import stack_area
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned
from gemel.layout.addresses import locate
from gemel.layout.model import BuildPlan
from gemel.m_profile.code.known_registers import MSPLIM, MSPLIM_NS
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import Span, format_address

FRAME = 32
"""Bytes that the core pushes at an exception, without floating-point registers (eight words)."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build whose code sets a limit, or a finding for each wrong one."""
    for core in core_code(inspection):
        if isinstance(core, NotChecked):
            yield core
            continue
        limits = [(each, core.plan) for each in core.of(MSPLIM)]
        limits += [(each, plan) for each in core.of(MSPLIM_NS) for plan in _non_secure(inspection, core.plan)]
        known = [
            (each, table.words[0])
            for each, plan in limits
            if each.store.value and (table := inspection.vector_table(plan.name))
        ]
        alike: dict[tuple[int, int | str, int | None], list[Setting]] = {}
        for each, pointer in known:
            alike.setdefault((pointer, each.store.target, each.store.value), []).append(each)
        judged = (_judged(inspection, core, each, pointer) for (pointer, *_), each in alike.items())
        findings = [each for each in judged if each]
        yield from findings
        if known and not findings:
            yield Holds(f"build {core.plan.name}")


def _non_secure(inspection: Inspection, plan: BuildPlan) -> list[BuildPlan]:
    """The non-secure build that starts on the same core, whose limit a secure one sets; none where several may."""
    from gemel.inspection.cores.secure_builds import builds_of

    layout = inspection.layout
    found = [each for each in builds_of(layout, "non-secure") if each.core == plan.core and each is not plan]
    return found if len(found) == 1 else []


def _judged(inspection: Inspection, core: CoreCode, settings: list[Setting], pointer: int) -> Finding | None:
    """What is wrong with a value, which compilers may write in several copies of one function."""
    setting = settings[0]
    limit, name = setting.store.value or 0, core.plan.core
    located = locate(inspection.layout, limit, name)
    area = stack_area(inspection, name, pointer)
    if area is None:
        return None  # stack-pointer-in-own-ram shows
    span = inspection.layout.span_of(area)
    run = inspection.start_runs.get(core.plan.name) if setting.store.target == MSPLIM else None
    taken = pointer - run.deepest if run and run.deepest else 0
    needed, by = max(
        (FRAME, "an exception's frame"), (taken, "what its code takes up to the first calls of main")
    )
    if located and span.start <= located.plain and limit + needed <= pointer:
        return None
    where = "outside the area of the stack"
    if 0 <= pointer - limit < needed:
        where = (
            f"{pointer - limit} bytes below the initial stack pointer"
            if limit < pointer
            else "at the initial stack pointer"
        )
    elif limit > pointer:
        where = "above the initial stack pointer"
    return Finding(
        f"code of build {core.plan.name} sets the limit of "
        f"{'its' if setting.store.target == MSPLIM else 'the non-secure'} main stack {where}",
        concerned(core.plan.name, name, area),
        where=f"build {core.plan.name} ({core.build.file}), {setting.store.target} at {setting.place}",
        found=format_address(limit),
        expected=f"from the start of area {area}, {span}, up to {needed} bytes, {by}, below the "
        f"initial stack pointer {format_address(pointer)}",
        span=Span(setting.store.at, 4),
        lines=tuple(f"so does the code at {each.place}" for each in settings[1:]),
        follows_from=(("stack-has-room", core.plan.name),) if limit > pointer - FRAME else (),
    )


RULE = Rule(
    name="stack-limit-below-stack",
    severity="error",
    guards="device",
    checks="A constant that code puts into the main stack pointer limit register, its own or that of the non-secure "
    "state, is inside the area in which that stack grows, and an exception's frame or more below the initial stack "
    "pointer, and no less than code takes as it starts.",
    why="With a limit above the pointer the first push faults, and the fault handler's own frame faults again; "
    "with one below the area the limit protects nothing.",
    remedy="Take the limit from the linker's symbol of the lower end of the same core's stack.",
    source="Armv8-M Architecture Reference Manual, MSPLIM (from memory)",
    absent="no build's code puts a constant into the register",
    check=check,
    of_elf=True,
)
