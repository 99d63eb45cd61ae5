"""Which builds tell what a rule asks of them, and why the others do not."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gemel.builds.build import Build
from gemel.builds.build import Subject as Asked
from gemel.check.findings.wording import needs_elf
from gemel.check.rule import NotChecked
from gemel.inspection.inspection import Subject
from gemel.layout.model import BuildPlan


def telling(
    subject: Subject, asked: Asked, plans: Iterable[BuildPlan] | None = None
) -> Iterator[tuple[BuildPlan, Build] | NotChecked]:
    """Each build of the layout (or of ``plans``) that tells ``asked``; for each other why not."""
    for plan in subject.layout.builds.values() if plans is None else plans:
        build = subject.builds.get(plan.name)
        reason = needs_elf(plan.name, build, asked)
        if build is None or reason:
            yield NotChecked(f"build {plan.name}", reason)
        else:
            yield plan, build
