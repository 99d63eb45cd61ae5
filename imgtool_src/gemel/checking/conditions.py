"""What decides, without looking any closer, that a rule has nothing to look at."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from types import MappingProxyType

from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import needs_elf
from gemel.layout.model import Layout
from gemel.outcomes import NotChecked, Outcome

ONLY_WITH = MappingProxyType[str, Callable[[Layout], bool]](
    {
        "checksums": lambda layout: bool(layout.checksums),
        "contracts": lambda layout: bool(layout.contracts),
        "copied builds": lambda layout: any(
            plan.runs_in or plan.copied_by for plan in layout.builds.values()
        ),
        "seal": lambda layout: layout.seal is not None,  # and where none is required, a seal is there
        "security": lambda layout: any(area.security for area in layout.areas.values()),
        "shared areas": lambda layout: any(area.purpose == "shared" for area in layout.areas.values()),
        "stamps": lambda layout: bool(layout.stamps),
    }
)
"""What a rule may need of a layout: without it, it says nothing."""


def outcomes(rule: Rule, inspection: Inspection) -> Iterable[Outcome]:
    """What a rule says; it is asked only where its conditions do not say it already."""
    if rule.only_with and not ONLY_WITH[rule.only_with](inspection.layout):
        return ()
    if rule.only_with == "seal" and (seal := inspection.seal) and (needless := seal.needless()):
        return [needless]
    if rule.of_elf and not inspection.builds:
        return [
            NotChecked(f"build {name}", needs_elf(name, None, "symbols")) for name in inspection.layout.builds
        ]
    return rule.check(inspection)
