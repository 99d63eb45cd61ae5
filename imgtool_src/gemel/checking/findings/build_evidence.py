"""Which builds show what a rule asks of them, and why the others do not."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gemel.builds.build import Aspect as Asked
from gemel.builds.build import Build
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import needs_elf
from gemel.layout.model import BuildPlan
from gemel.outcomes import NotChecked


def builds_that_state(
    inspection: Inspection, asked: Asked, plans: Iterable[BuildPlan] | None = None
) -> Iterator[tuple[BuildPlan, Build] | NotChecked]:
    """Each build of the layout (or of ``plans``) that shows ``asked``; for each other why not."""
    for plan in inspection.layout.builds.values() if plans is None else plans:
        build = inspection.builds.get(plan.name)
        reason = needs_elf(plan.name, build, asked)
        if build is None or reason:
            yield NotChecked(f"build {plan.name}", reason)
        else:
            yield plan, build
