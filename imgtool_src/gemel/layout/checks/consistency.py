"""What the parts of a layout must say about each other, by subject; every name in it exists already.

Each check is a generator over the whole layout and stands alone: none relies on another having passed.
"""

from __future__ import annotations

from collections.abc import Iterator

from gemel.layout.checks.areas import area_faults, build_faults, record_faults
from gemel.layout.checks.cores import contract_faults, core_faults
from gemel.layout.checks.memories import memory_faults
from gemel.layout.checks.rehearsal import rehearsal_faults
from gemel.layout.checks.values import value_faults
from gemel.layout.kinds import KeyPath, LayoutFault
from gemel.layout.model import Layout


def security_faults(layout: Layout) -> Iterator[LayoutFault]:
    """Attributions that no core can see, and areas that cannot be called into."""
    extended = any("security" in core.extensions for core in layout.cores.values())
    stating = [area for area in layout.areas.values() if area.security]
    if stating and not extended:
        others = f" ({len(stating)} areas in all)" if len(stating) > 1 else ""
        yield LayoutFault(
            ("area", stating[0].name, "security"),
            "no core distinguishes secure from non-secure",
            found=f"{stating[0].security}{others}",
            expected='a core with "security" among its extensions',
            next_step='add "security" to the core that has it, or take security out of the area',
        )
    for area in stating:
        path: KeyPath = ("area", area.name, "security")
        if area.security == "non-secure-callable" and area.purpose != "code":
            found = f"{area.security}, purpose {area.purpose}"
            hint = "only the veneers belong there: give them an area of their own"
            yield LayoutFault(
                path, "an area to call into holds code", found=found, expected="purpose code", next_step=hint
            )


def faults_between(layout: Layout) -> Iterator[LayoutFault]:
    """Every fault between the parts of ``layout``."""
    yield from memory_faults(layout)
    yield from core_faults(layout)
    yield from area_faults(layout)
    yield from security_faults(layout)
    yield from build_faults(layout)
    yield from contract_faults(layout)
    yield from record_faults(layout)
    yield from value_faults(layout)
    yield from rehearsal_faults(layout)
