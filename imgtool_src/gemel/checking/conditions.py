"""What decides, without looking any closer, that a rule has nothing to look at."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from types import MappingProxyType

from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import needs_elf
from gemel.layout.model import Layout
from gemel.outcomes import DoesNotApply, NotChecked, Outcome
from gemel.seals.demands import NOT_REQUIRED

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
    if rule.only_with == "seal" and (missing := _no_seal(inspection)):
        return [missing]
    if rule.of_elf and not inspection.builds:
        return [
            NotChecked(f"build {name}", needs_elf(name, None, "symbols")) for name in inspection.layout.builds
        ]
    return rule.check(inspection)


def _no_seal(inspection: Inspection) -> DoesNotApply | None:
    """What every rule on seals says where none is required and the seal's area is erased."""
    seal = inspection.seal
    if seal is None or seal.demands.required or not seal.absent:
        return None
    return DoesNotApply(seal.where, NOT_REQUIRED)
