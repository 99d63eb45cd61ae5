"""Rule ``linked-by-current-regions``: a build linked by an exported fragment was linked by the layout's present one."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_build
from gemel.checking.rule import Rule
from gemel.errors import BuildError
from gemel.inspection.cores.regions import ID_SYMBOL, regions_id
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned
from gemel.layout.model import BuildPlan
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import format_address
from gemel.text.escaping import in_shell


def _linked(inspection: Inspection) -> list[BuildPlan]:
    """The builds that have the fragment's symbol."""
    return [
        inspection.layout.builds[name]
        for name, build in inspection.builds.items()
        if build.symbols and any(symbol.defined for symbol in build.symbols.named(ID_SYMBOL))
    ]


@of_each_build("symbols", _linked)
def check(inspection: Inspection, plan: BuildPlan, build: Build) -> Iterator[Outcome]:
    """One outcome for each build that has the fragment's symbol."""
    where = f"build {plan.name} ({build.file}), symbol {ID_SYMBOL}"
    expected = regions_id(inspection.layout, plan.core)
    try:
        symbol = build.symbols.one(ID_SYMBOL) if build.symbols else None
    except BuildError as error:
        yield NotChecked(where, error.problems[0].what)
        return
    if symbol and symbol.value == expected:
        yield Holds(where)
    elif symbol:
        yield Finding(
            f"build {plan.name} was linked with another memory description of core {plan.core}",
            concerned(plan.name, plan.core),
            where=where,
            found=format_address(symbol.value),
            expected=f"{format_address(expected)}, of this layout",
            next_step=f"gemel export linker {in_shell(inspection.read.name)} --core {plan.core}, and link the "
            "build again",
        )


RULE = Rule(
    name="linked-by-current-regions",
    severity="error",
    guards="device",
    checks=f"A build that defines {ID_SYMBOL}, as the linker fragment of gemel export does, has the value that "
    "follows from the layout's regions of its core: their names, addresses, sizes and permissions.",
    why="A build linked by an older fragment has the old memory map compiled in. What moved since is then used at its "
    "old address, by this core alone.",
    remedy="Export the linker fragment from the layout that is used, and link the build again.",
    source="common practice: both sides are built from one description of the memory",
    absent=f"no given build defines {ID_SYMBOL}",
    check=check,
)
