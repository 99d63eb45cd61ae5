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


ANSWERS = (0, 1, 2, 3, 0x5555_5555, 0xAAAA_AAAA, 0xFFFF_FFFF, 0x1234_5678)
"""What devices may answer: every value of one or two bits, and more than FEW of a larger number."""

FEW = 4
"""Values among which code chooses by what it is answered; of more, there may be any."""


class CoreCode(NamedTuple):
    """A build whose symbols show where its functions are, and what it sets of its core."""

    plan: BuildPlan
    build: Build
    settings: tuple[Setting, ...]

    def of(self, target: int | str) -> list[Setting]:
        """The stores to one target, in the order of the code."""
        return [each for each in self.settings if each.store.target == target]


def chosen_values(inspection: Inspection, build: str, register: int) -> frozenset[int]:
    """The values of which code stores one in a register, by what devices answer; none where there may be others."""
    from gemel.inspection.start_up.started import run_of

    def values(each: Inspection) -> frozenset[int]:
        table, found = each.vector_table(build), set[int | None]()
        if table is None:
            return frozenset()
        for answer in ANSWERS:
            run = run_of(each.layout, each.placements[build], table.words, each.bytes_of, answer)
            found |= {store.value for store in run.stores if store.target == register} if run else {None}
            if not found or None in found or len(found) > FEW:
                return frozenset()
        return frozenset(value for value in found if value is not None)

    found: frozenset[int] = inspection.kept(f"values of {register:#x} by {build}", values)
    return found


def core_code(inspection: Inspection) -> Iterator[CoreCode | NotChecked]:
    """The code of each build with symbols; for each other why not."""
    for name, plan in inspection.layout.builds.items():
        build = inspection.builds.get(name)
        reason = needs_elf(name, build, "symbols")
        if build is None or reason:
            yield NotChecked(f"build {name}", reason)
        else:
            yield CoreCode(plan, build, inspection.core_settings[name])
