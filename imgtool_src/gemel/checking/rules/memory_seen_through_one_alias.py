"""Rule ``memory-seen-through-one-alias``: a build addresses each memory as its security state does."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.cores.secure_builds import SECURE, builds_of, states_security
from gemel.inspection.cores.views import area_at
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, found_or_holds
from gemel.layout.addresses import locate, starts_of
from gemel.layout.model import BuildPlan, Memory
from gemel.m_profile.memory_map import STATE_BIT
from gemel.outcomes import Finding, Outcome
from gemel.spans import format_address


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build whose area states its security, or one finding for each wrong window."""
    if not states_security(inspection.layout):
        return
    for plan in builds_of(inspection.layout, *SECURE, "non-secure"):
        if windows := _windows(inspection, plan):
            yield from _outcomes(inspection, plan, windows)


def _windows(inspection: Inspection, plan: BuildPlan) -> dict[tuple[str, bool], dict[int, str]]:
    """For each memory with aliases the windows that the build uses, each with the first use of it.

    What is in a shared area that is non-secure is apart (False): secure code accesses it as non-secure.
    """
    found: dict[tuple[str, bool], dict[int, str]] = {}
    own = inspection.layout.areas[plan.stored_in].security in SECURE
    for what, address in _addresses(inspection, plan):
        located = locate(inspection.layout, address, plan.core)
        if located and located.memory.aliases:
            window = address - located.offset
            text = f"{format_address(address)} ({what})"
            area = area_at(inspection.layout, address, plan.core)
            shared = area is not None and area.purpose == "shared" and area.security == "non-secure"
            found.setdefault((located.memory.name, own and not shared), {}).setdefault(window, text)
    return found


def _addresses(inspection: Inspection, plan: BuildPlan) -> Iterator[tuple[str, int]]:
    build = inspection.builds.get(plan.name)
    for segment in build.segments if build else ():
        yield f"{segment.words} of {build.file if build else ''}", segment.run_address
    table = inspection.vector_table(plan.name)
    if table is None:
        return
    erased = 0xFFFF_FFFF
    for index, word in enumerate(table.words):
        if word not in (0, erased):
            yield f"word {index} of its vector table", (word & ~3) - 4 if index == 0 else word & ~1


def _outcomes(
    inspection: Inspection, plan: BuildPlan, windows: dict[tuple[str, bool], dict[int, str]]
) -> Iterator[Outcome]:
    findings = []
    own = inspection.layout.areas[plan.stored_in].security in SECURE
    for (name, secure), used in windows.items():
        memory = inspection.layout.memories[name]
        right = _right_window(memory, plan.core, secure)
        if len(used) > 1:
            findings.append(
                _finding(plan, memory, used, right, "through more than one window", own and not secure)
            )
        elif right is not None and right not in used:
            findings.append(
                _finding(
                    plan,
                    memory,
                    used,
                    right,
                    "through the window of the other security state",
                    own and not secure,
                )
            )
    yield from found_or_holds(
        findings, f"build {plan.name}, memory {', '.join(dict.fromkeys(name for name, _ in windows))}"
    )


def _right_window(memory: Memory, core: str, secure: bool) -> int | None:
    """Where the memory is seen in this security state; None if its windows do not differ in bit 28 alone."""
    starts = starts_of(memory, core)
    if len(starts) != 2 or starts[0] ^ starts[1] != STATE_BIT:
        return None
    return next(start for start in starts if bool(start & STATE_BIT) == secure)


def _finding(
    plan: BuildPlan, memory: Memory, used: dict[int, str], right: int | None, how: str, shares: bool
) -> Finding:
    one = "one window of the memory for all of the build"
    expected = (
        one if right is None else f"addresses from {format_address(right)} on, for {_state(right)} code"
    )
    step = "link what the build shares as non-secure for the non-secure addresses of the area"
    return Finding(
        f"build {plan.name} addresses memory {memory.name} {how}",
        concerned(plan.name, memory.name, plan.core),
        where=f"build {plan.name}, memory {memory.name}",
        found=" and ".join(list(used.values())[:2]),
        expected=expected,
        next_step=step if shares else "",
        follows_from=(("builds-inside-own-attribution", plan.name),),
    )


def _state(window: int) -> str:
    return "secure" if window & STATE_BIT else "non-secure"


RULE = Rule(
    name="memory-seen-through-one-alias",
    severity="error",
    guards="device",
    checks="A build whose security the layout states uses each memory that has an alias through one window "
    "only, and through that of its security state where the two windows differ in address bit 28 alone; what is in a "
    "shared area that is non-secure, through the non-secure one.",
    why="Where the same bytes have a secure and a non-secure address, the address decides the state of the "
    "access. A non-secure build that was linked for the secure window faults, a secure one with data in "
    "the non-secure window leaves them open.",
    remedy="Link the build for the addresses of its own state, all of it.",
    source="common practice, from memory: devices decode address bit 28 as secure (set) or non-secure "
    "(clear); applied only to aliases that the layout declares",
    absent="the layout states no security, or the builds use no memory that has an alias",
    check=check,
    only_with="security",
)
