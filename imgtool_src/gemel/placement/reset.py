"""Where the primary starts: the build that it fetches its vectors from, and the reset handler in them."""

from __future__ import annotations

from gemel.image.sparse import SparseBytes
from gemel.layout.addresses import locate
from gemel.layout.model import BuildPlan, Layout
from gemel.spans import Span

THUMB = 1
"""Bit 0 of a code address, set for Thumb; an entry point may be written with or without it."""


def starting_plan(layout: Layout) -> BuildPlan | None:
    """The build that the primary starts with: where it fetches its vectors at reset, else its first."""
    primary = layout.primary()
    plans = layout.builds_of(primary.name)
    vectors = primary.reset_vectors
    holding = (
        plan for plan in plans if vectors is not None and layout.span_of(plan.stored_in).holds(vectors)
    )
    return next(holding, plans[0] if plans else None)


def reset_handler(layout: Layout, image: SparseBytes) -> int | None:
    """Word 1 of the starting build's vector table; None where there is no such table or word."""
    plan = starting_plan(layout)
    if plan is None or layout.areas[plan.stored_in].purpose != "code":
        return None
    word = Span(layout.table_start(plan) + 4, 4)
    return int.from_bytes(image.read(word, 0xFF), "little") if image.holds(word) else None


def is_same_code(layout: Layout, one: int, other: int) -> bool:
    """Whether two code addresses of the primary mean the same place: Thumb bit and alias put aside."""
    places = [locate(layout, each & ~THUMB, layout.primary().name) for each in (one, other)]
    plain = [
        place.plain if place else each & ~THUMB for place, each in zip(places, (one, other), strict=True)
    ]
    return plain[0] == plain[1]
