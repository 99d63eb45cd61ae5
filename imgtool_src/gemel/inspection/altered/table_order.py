"""What vector tables show of the order of bytes where the build itself is not given."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from gemel.inspection.cores.vector_tables import table_span
from gemel.inspection.inspection import Inspection
from gemel.inspection.instead_of_tables import vector_builds
from gemel.layout.addresses import locate, seen_by
from gemel.layout.model import BuildPlan
from gemel.spans import Span
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.inspection.byte_orders import Order

HEAD = 16
"""Bytes of a table that are looked at: the stack pointer, Reset, NMI and HardFault."""

NEAR = 4096
"""Bytes before and after its place in which a table is looked for at every byte."""


class TableSign(NamedTuple):
    """Where a table is instead: ``distance`` bytes further (may be below 0), or in its place in another order."""

    plan: BuildPlan
    place: int
    distance: int = 0
    order: Order | None = None


def table_signs(inspection: Inspection) -> list[TableSign]:
    """A sign for each table that is not at its place and is found in another order, or near it."""
    plans = [plan for plan in vector_builds(inspection.layout) if plan.name not in inspection.placements]
    return [sign for plan in plans if (sign := _sign(inspection, plan))]


def _sign(inspection: Inspection, plan: BuildPlan) -> TableSign | None:
    place = table_span(inspection.layout, plan).start
    memory = inspection.layout.memory_of(plan.stored_in).span
    if place + HEAD > memory.end:
        return None
    head = inspection.bytes_of(Span(place, HEAD))
    area = inspection.layout.span_of(plan.runs_in or plan.stored_in)
    runs = Span(seen_by(inspection.layout, area.start, plan.core), area.size)
    if _plausible(inspection, plan, runs, head, 1):
        return None
    from gemel.inspection.byte_orders import ORDERS

    around = Span.from_bounds(max(memory.start, place - NEAR), min(memory.end, place + NEAR))
    data = inspection.bytes_of(around)
    declared = place - around.start
    for order in ORDERS:
        if _plausible(inspection, plan, runs, order.of(head), 3):
            return TableSign(plan, place, order=order)
    for distance in sorted(range(-declared, len(data) - declared - HEAD), key=abs):
        at = declared + distance
        # Thumb bits of three handlers first: that is quick, and few bytes have them.
        thumb = data[at + 4] & data[at + 8] & data[at + 12] & 1
        if thumb and _plausible(inspection, plan, runs, data[at : at + HEAD], 3):
            return TableSign(plan, place, distance)
    return None


def _plausible(inspection: Inspection, plan: BuildPlan, runs: Span, head: bytes, handlers: int) -> bool:
    """Whether a core could start by ``head``: a stack in RAM and three handlers in code, or by one of the two.

    Its build's code ``runs`` there.
    """
    stack, *words = struct.unpack("<4I", head)
    in_code = all(word & 1 and runs.holds(word) for word in words[:handlers])
    if handlers > 1 and not in_code:
        return False
    located = locate(inspection.layout, (stack & ~3) - 1, plan.core)
    in_ram = located is not None and located.memory.kind == "ram"
    if handlers > 1:
        return in_ram
    moved = stack & 1 and runs.holds(stack)  # the reset handler is where the stack pointer should be
    return in_ram or (in_code and not moved)
