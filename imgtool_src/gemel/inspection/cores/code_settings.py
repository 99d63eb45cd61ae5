"""The builds whose code shows what it sets its core to, each with these settings."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import needs_elf
from gemel.layout.model import BuildPlan
from gemel.outcomes import NotChecked
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.inspection.code.core_settings import Setting


class CoreCode(NamedTuple):
    """A build whose symbols show where its functions are, and what it sets of its core."""

    plan: BuildPlan
    build: Build
    settings: tuple[Setting, ...]

    def of(self, target: int | str) -> list[Setting]:
        """The stores to one target, in the order of the code."""
        return [each for each in self.settings if each.store.target == target]


def core_code(inspection: Inspection) -> Iterator[CoreCode | NotChecked]:
    """The code of each build with symbols; for each other why not."""
    for name, plan in inspection.layout.builds.items():
        build = inspection.builds.get(name)
        reason = needs_elf(name, build, "symbols")
        if build is None or reason:
            yield NotChecked(f"build {name}", reason)
        else:
            yield CoreCode(plan, build, inspection.core_settings[name])
