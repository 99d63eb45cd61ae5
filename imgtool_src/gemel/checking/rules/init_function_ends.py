"""Rule ``init-function-ends``: the function ``_init``, which several object files make together, has its end."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.builds.elf.symbol_entries import Symbol
from gemel.checking.findings.build_evidence import of_each_build
from gemel.checking.rule import Rule
from gemel.inspection.code.address_users import is_reached
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned
from gemel.layout.model import BuildPlan
from gemel.m_profile.code.function_steps import ends_stretch
from gemel.m_profile.instructions.halfwords import instructions
from gemel.outcomes import Finding, Holds, Outcome
from gemel.spans import Span, format_address


@of_each_build("symbols")
def check(_: Inspection, plan: BuildPlan, build: Build) -> Iterator[Outcome]:
    """One outcome for each build whose code calls an ``_init`` of parts, which has no size in crti.o (GCC)."""
    named = build.symbols.among(frozenset(("_init",))) if build.symbols else {}
    function = named.get("_init")
    in_parts = function and function.kind == "function" and not function.size
    if function and in_parts and is_reached(build, function):
        into = _runs_on_into(build, function)
        yield _finding(plan, build, function, into) if into else Holds(f"build {plan.name}")


def _runs_on_into(build: Build, function: Symbol) -> str:
    """What comes after ``_init`` without a return or a branch before it; empty where there is one."""
    start = function.address
    section = next((each for each in build.all_sections if each.allocated and each.span.holds(start)), None)
    code = build.read_at_run(start, section.span.end - start) if section else None
    if section is None or not code:
        return ""
    for at, first, second in instructions(code):
        known = build.function_at(start + at)
        if known and not known[1] and known[0].kind == "function" and known[0].address != start:
            return f"{known[0].name} at {format_address(start + at)}"
        if ends_stretch(first, second):
            return ""
    return f"what is after section {section.name}, at {format_address(section.span.end)}"


def _finding(plan: BuildPlan, build: Build, function: Symbol, into: str) -> Finding:
    return Finding(
        f"function _init of build {plan.name}, which its code calls, does not return",
        concerned(plan.name, plan.core),
        where=f"build {plan.name} ({build.file}), {format_address(function.address)}",
        found=f"no return before {into}",
        expected="the return that crtn.o, or the end file of the C library, adds to section .init",
        span=Span(function.address, 2),
    )


RULE = Rule(
    name="init-function-ends",
    severity="error",
    guards="device",
    checks="Where code of a build calls an _init of several parts, a return or a branch comes before the end of its "
    "section and before the next function.",
    why="Section .init is one function whose beginning is in crti.o and whose end is in crtn.o. Where crtn.o is left "
    "out, or is before crti.o in the order of linking, the core runs on into what the linker put next, _fini or "
    "constants, with registers on the stack that nothing takes back.",
    remedy="Link crti.o first and crtn.o last, or neither of them and an empty _init of your own.",
    source="System V ABI, chapter 5, Initialization and Termination Functions (gABI, from memory); common practice "
    "(crti.o, crtn.o)",
    absent="no build has code that calls _init",
    check=check,
    of_elf=True,
)
