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
    from gemel.m_profile.code.known_registers import KnownStore
    from gemel.m_profile.execution.start_run import StartRun


ANSWERS = (
    *range(8),
    *(int(f"{each:03b}" * 11, 2) & 0xFFFF_FFFF for each in range(1, 8)),
    0x5555_5555,
    0xAAAA_AAAA,
)
"""What devices may answer: small numbers; every value of up to three bits, wherever they are in a register (three bits
over and over); and more than FEW values of larger numbers."""

FEW = 8
"""Values among which code chooses by what it is answered; of more, there may be any."""


class CoreCode(NamedTuple):
    """A build whose symbols show where its functions are, and what it sets of its core."""

    plan: BuildPlan
    build: Build
    settings: tuple[Setting, ...]

    def setting(self, store: KnownStore) -> Setting:
        """A store of this code, with its function."""
        from gemel.inspection.code.core_settings import Setting

        function = self.build.symbols.function_at(store.at) if self.build.symbols else None
        return Setting(store, function[0].name if function else "")

    def of(self, target: int | str) -> list[Setting]:
        """The stores to one target, in the order of the code."""
        return [each for each in self.settings if each.store.target == target]


def chosen_stores(inspection: Inspection, build: str, register: int) -> tuple[KnownStore, ...] | None:
    """The stores to a register, by what devices answer; none where no run comes to one.

    None where there may be others, or other values.
    """

    def stores(each: Inspection) -> tuple[KnownStore, ...] | None:
        found: dict[KnownStore, None] = {}
        for answer in ANSWERS:
            run = answered_run(each, build, answer)
            new = [store for store in run.stores if store.target == register] if run else []
            found |= dict.fromkeys(new)
            values = {store.value for store in found}
            if not new or None in values or len(values) > FEW:
                return None if found else ()
        return tuple(found)

    found: tuple[KnownStore, ...] | None = inspection.kept(f"stores to {register:#x} by {build}", stores)
    return found


def answered_run(inspection: Inspection, build: str, answer: int) -> StartRun | None:
    """The run of a build's start-up code, of the image alone where no symbols show more, with one answer for all."""
    from gemel.inspection.start_up.started import run_of, run_of_image

    layout, table = inspection.layout, inspection.vector_table(build)
    if table is None:
        return None
    placement = inspection.placements.get(build)
    if placement and placement.build.symbols:
        return run_of(layout, placement, table.words, inspection.bytes_of, answer)
    return run_of_image(layout, inspection.placed[build], table.words, inspection.bytes_of, answer)


def core_code(inspection: Inspection) -> Iterator[CoreCode | NotChecked]:
    """The code of each build with symbols; for each other why not."""
    for name, plan in inspection.layout.builds.items():
        build = inspection.builds.get(name)
        reason = needs_elf(name, build, "symbols")
        if build is None or reason:
            yield NotChecked(f"build {name}", reason)
        else:
            yield CoreCode(plan, build, inspection.core_settings[name])
