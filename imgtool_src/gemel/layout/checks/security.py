"""What a layout says of secure and non-secure areas: there must be a core that distinguishes them."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.layout.kinds import KeyPath, LayoutFault
from gemel.layout.model import Layout


def security_faults(layout: Layout) -> Iterator[LayoutFault]:
    """Attributions that no core can see, and areas that cannot be called into."""
    extended = any("security" in core.extensions for core in layout.cores.values())
    for area in layout.areas.values():
        path: KeyPath = ("area", area.name, "security")
        if area.security is None:
            continue
        if not extended:
            expected = 'a core with "security" among its extensions'
            yield LayoutFault(
                path,
                "no core distinguishes secure from non-secure",
                found=area.security,
                expected=expected,
                next_step='add "security" to the core that has it, or take security out of the area',
            )
        if area.security == "non-secure-callable" and area.purpose != "code":
            found = f"{area.security}, purpose {area.purpose}"
            hint = "only the veneers belong there: give them an area of their own"
            yield LayoutFault(
                path, "an area to call into holds code", found=found, expected="purpose code", next_step=hint
            )
