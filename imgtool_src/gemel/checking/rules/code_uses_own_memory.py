"""Rule ``code-uses-own-memory``: code branches to code of its own core, and stores to no RAM of another one."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_build
from gemel.checking.findings.own_memory import UNKNOWN, calls_away, stores_away
from gemel.checking.rule import Rule
from gemel.inspection.code.far_accesses import FarAccess
from gemel.inspection.cores.views import whereabouts
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, found_or_holds, lines_in_short, symbol_at
from gemel.layout.model import BuildPlan
from gemel.outcomes import Finding, Need, NotChecked, Outcome, Reason
from gemel.spans import Span, format_address

_CAUSES = (
    "addressed-constants-stored",
    "handlers-executable",
    "vector-table-not-blank",
    "ram-claims-in-own-areas",
    "ram-claims-apart",
)


@of_each_build("symbols")
def check(inspection: Inspection, plan: BuildPlan, build: Build) -> Iterator[Outcome]:
    """One outcome for each build with symbols, or one finding for each kind of place that its code leads to."""
    found, away = [], calls_away(inspection, plan, build)
    for call in away.pop(UNKNOWN, [])[:1]:
        place = f"{format_address(call.target)}, to which it branches at {format_address(call.at)}, is in {UNKNOWN}"
        yield NotChecked(f"build {plan.name}", Reason(place, Need("layout", "memory")))
    for kind, calls in away.items():
        found.append(_finding(inspection, build, plan, f"branches to {kind}", calls))
    if stores := stores_away(inspection, plan, build):
        found.append(_finding(inspection, build, plan, "stores to RAM of another core", stores))
    yield from found_or_holds(found, f"build {plan.name}")


def _finding(
    inspection: Inspection, build: Build, plan: BuildPlan, what: str, accesses: list[FarAccess]
) -> Finding:
    places = [
        f"{format_address(each.target)}, {whereabouts(inspection, plan.core, each.target)}, from "
        f"{format_address(each.at)}" + (f" ({symbol})" if (symbol := symbol_at(build, each.at)) else "")
        for each in sorted(accesses, key=lambda each: (each.target, each.at))
    ]
    stores = "RAM" in what.split()
    return Finding(
        f"code of build {build.name} {what}",
        concerned(build.name, plan.core, plan.stored_in),
        where=f"build {build.name} ({build.file}), at {format_address(min(each.at for each in accesses))}",
        found=places[0],
        expected="RAM of its own core, or an area of purpose shared" if stores else "code of its own core",
        span=Span(accesses[0].at, 2),
        lines=lines_in_short(places[1:], "place"),
        next_step="correct the address, or make the place an area of purpose shared"
        if stores
        else "correct the address; take the ELF file as the linker wrote it, if the functions there were left out",
        follows_from=tuple((rule, build.name) for rule in _CAUSES),
    )


RULE = Rule(
    name="code-uses-own-memory",
    severity="error",
    guards="device",
    checks="No branch of a build to an address that its code puts together, or that the linker did, leads to erased "
    "flash in the area of a build, to a device, to RAM of another core, or into another core's build, a function that "
    "it was linked with by its symbol excepted; no store of it to such an address is in RAM that another core alone "
    "owns, those of the primary before the release excepted.",
    why="A branch to erased flash or a device faults. Another core's functions use that core's RAM and devices, and "
    "move with each of its builds. A store to its RAM changes a variable of code that knows nothing of it.",
    remedy="Take addresses from symbols and not from numbers; share RAM by an area of purpose shared, and let the "
    "other core do what is its to do.",
    source="Armv7-M Architecture Reference Manual, section B3.1, the system address map (from memory); common practice",
    absent="the layout has no build",
    check=check,
    of_elf=True,
)
