"""The regions of the security attribution unit as code of a secure build sets them.

SAU_CTRL, SAU_RNR, SAU_RBAR and SAU_RLAR: Armv8-M Architecture Reference Manual (second-hand; ALLNS from memory).
"""

from __future__ import annotations

from collections.abc import Iterable

from gemel.inspection.code.core_settings import settings_of
from gemel.inspection.inspection import Inspection
from gemel.m_profile.code.known_registers import KnownStore
from gemel.spans import Span, align_down, format_address
from gemel.structs import NamedTuple

CTRL, RNR, RBAR, RLAR = 0xE000_EDD0, 0xE000_EDD8, 0xE000_EDDC, 0xE000_EDE0
REGISTERS = frozenset((CTRL, RNR, RBAR, RLAR))
UNIT = 32
"""Bytes; the lower five bits of a region's base and limit are not stored."""

_ENABLED, _CALLABLE = 1, 2


class AttributionRegion(NamedTuple):
    """One enabled region, non-secure or (``callable``) non-secure callable, and where code sets its end."""

    number: int
    span: Span
    callable: bool
    at: int

    @property
    def words(self) -> str:
        """``region 1, 0x1000_8000..0x1000_801F, non-secure callable``."""
        state = "non-secure callable" if self.callable else "non-secure"
        return f"region {self.number}, {self.span}, {state}, set at {format_address(self.at)}"


def regions_of(inspection: Inspection, name: str) -> list[AttributionRegion]:
    """The regions that the code of a build enables, with the unit on; none where a value is not known."""
    build, run = inspection.builds.get(name), inspection.start_runs.get(name)
    stores = [each for each in (run.stores if run else ()) if each.target in REGISTERS]
    if build and build.symbols and not stores:
        stores = [each.store for each in settings_of(build, REGISTERS) if each.store.target in REGISTERS]
    return _regions(stores)


def _regions(stores: Iterable[KnownStore]) -> list[AttributionRegion]:
    number, on = 0, False
    bases: dict[int, int] = {}
    found: dict[int, AttributionRegion] = {}
    for store in stores:
        if store.value is None:
            return []
        if store.target == CTRL:
            on = bool(store.value & _ENABLED)
        elif store.target == RNR:
            number = store.value & 0xFF
        elif store.target == RBAR:
            bases[number] = align_down(store.value, UNIT)
        elif store.value & _ENABLED and number in bases:
            end = align_down(store.value, UNIT) + UNIT
            if end > bases[number]:
                span = Span.from_bounds(bases[number], end)
                found[number] = AttributionRegion(number, span, bool(store.value & _CALLABLE), store.at)
        else:
            found.pop(number, None)
    return list(found.values()) if on else []
