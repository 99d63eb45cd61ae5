"""Whether an image's bytes are where and in the order they should be: swapped in words, shifted, at an alias.

One such fault of a conversion or a programmer's setting makes nearly every rule complain.  It is recognised
by what should stand at a place, from a build or the record's mark, and stands there in another order, or
elsewhere at one distance.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from gemel.inspection.altered.disorders import MAX_DISTANCE, WINDOW, Disorder, as_text, conversion_of, shifted
from gemel.inspection.cores.vector_tables import likely_tables, table_distance, table_span
from gemel.inspection.cores.views import runs_from
from gemel.inspection.inspection import Inspection
from gemel.inspection.instead_of_tables import starts_core, vector_builds
from gemel.layout.addresses import seen_by, starts_of
from gemel.layout.model import BuildPlan
from gemel.placement.placed import digests_of
from gemel.placement.placing import ALIAS_STEP
from gemel.record.format import MARK
from gemel.spans import Span, format_address
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
    layout = inspection.layout
    place, memory = table_span(layout, plan).start, layout.memory_of(plan.stored_in).span
    if place + HEAD > memory.end:
        return None
    head = inspection.bytes_of(Span(place, HEAD))
    area = layout.span_of(plan.runs_in or plan.stored_in)
    runs = Span(seen_by(layout, area.start, plan.core), area.size)
    stack, *_ = words = struct.unpack("<4I", head)
    is_moved = stack & 1 and runs.holds(stack)  # the reset handler is where the stack pointer should be
    if not is_moved and starts_core(layout, plan, words, 0, runs, either=True):
        return None
    from gemel.inspection.byte_orders import ORDERS

    around = Span.from_bounds(max(memory.start, place - NEAR), min(memory.end, place + NEAR))
    data = inspection.bytes_of(around)
    declared = place - around.start
    for order in ORDERS:
        if starts_core(layout, plan, struct.unpack("<4I", order.of(head)), 0, runs):
            return TableSign(plan, place, order=order)
    for distance in sorted(range(-declared, len(data) - declared - HEAD), key=abs):
        at = declared + distance
        # Thumb bits of three handlers first: that is quick, and few bytes have them.
        thumb = data[at + 4] & data[at + 8] & data[at + 12] & 1
        if thumb and starts_core(layout, plan, struct.unpack_from("<4I", data, at), 0, runs):
            return TableSign(plan, place, distance)
    return None


def disorder(inspection: Inspection) -> Disorder | None:
    """The first sign of bytes in another order; None if there is none."""
    return (
        _blank(inspection)
        or _at_alias(inspection)
        or (_by_builds(inspection) if inspection.placements else None)
        or _by_record(inspection)
        or _by_tables(inspection)
        or _by_moved_record(inspection)
        or _by_exchange(inspection)
    )


def _by_builds(inspection: Inspection) -> Disorder | None:
    from gemel.inspection.altered.build_order import by_builds

    return by_builds(inspection)


def _blank(inspection: Inspection) -> Disorder | None:
    """All bytes are one value, as of erased flash, of a filled file, or of a device protected against reading."""
    bounds, values = inspection.image.bounds(), set[int]()
    for _, piece in inspection.image.pieces():
        head = bytes(piece[:WINDOW])
        values |= set(head)
        if len(values) > 1 or bytes(piece).count(head[0]) != len(piece):
            return None
    if bounds is None:
        return None
    (value,) = values
    return Disorder(
        "the image",
        "the image is blank",
        f"0x{value:02X} in every byte",
        "what the builds store",
        bounds,
        "get the image again from where it was joined; a device that reads so is erased, or protected against reading",
    )


def _at_alias(inspection: Inspection) -> Disorder | None:
    bounds = inspection.image.bounds()
    memories = [memory for memory in inspection.layout.memories.values() if memory.holds_image]
    if bounds is None or any(inspection.image.held_in(memory.span) for memory in memories):
        return None
    for memory in memories:
        for start in starts_of(memory, None):
            window = Span(start, memory.size)
            if start != memory.start and inspection.image.held_in(window):
                return Disorder(
                    f"memory {memory.name}",
                    f"the image is at an alias of memory {memory.name}",
                    f"bytes at {inspection.image.held_in(window)[0]}",
                    f"bytes at {memory.span}, as the programmer sees them",
                    window,
                    f"move it by {_signed(memory.start - start)} bytes (objcopy --change-addresses), or link for "
                    f"{format_address(memory.start)}",
                )
    distance = table_distance(inspection, bounds)
    for memory in memories if distance and not distance % ALIAS_STEP else ():
        seen = memory.span.moved(distance)
        if seen.holds(bounds.start):
            return Disorder(
                f"memory {memory.name}",
                f"the image is not where memory {memory.name} is, but maybe at an alias that the layout does not have",
                f"all vector tables, at {bounds}",
                f"bytes at {memory.span}, as the programmer sees them",
                bounds,
                f"move it by {_signed(-distance)} bytes (objcopy --change-addresses); if the device shows the memory "
                f"at {format_address(seen.start)} too, add that to its aliases",
            )
    return Disorder(
        "the image",
        "no byte of the image is in a memory that the layout has for it",
        f"bytes at {bounds}",
        "bytes in " + ", ".join(f"{memory.words}, {memory.span}" for memory in memories),
        bounds,
        "correct the addresses of the memories, or give the layout that the image was made for; read a binary at "
        "its address (--at)",
    )


def _by_record(inspection: Inspection) -> Disorder | None:
    """By the mark of the record and, where no build is given, by the vector tables."""
    plan = inspection.layout.record
    if inspection.record is not None or (inspection.placements and plan is None):
        return None
    if as_converted := as_text(inspection):
        return as_converted
    if plan is not None:
        from gemel.inspection.byte_orders import ORDERS

        start = inspection.layout.span_of(plan.area).start
        held = inspection.image.read(Span(start, 8), 0xFF)
        for order in ORDERS:
            if held == order.of(MARK):
                return Disorder(
                    f"area {plan.area}, the record's mark",
                    order.what,
                    held.hex(" ").upper(),
                    MARK.hex(" ").upper(),
                    Span(start, len(MARK)),
                    order.next_step(),
                )
    distance = 0 if inspection.placements else table_distance(inspection)
    if not distance:
        return None
    if plan is not None:
        start = inspection.layout.span_of(plan.area).start
        if start + distance < 0 or inspection.image.read(Span(start + distance, len(MARK)), 0xFF) != MARK:
            return None
    what, _, next_step = shifted(distance, "")
    bounds = inspection.image.bounds() or Span(0, 1)
    found = "the record's mark and all vector tables" if plan else "all vector tables"
    return Disorder(
        "the image", what, f"{found} are there", "each at its place in the layout", bounds, next_step
    )


def _by_moved_record(inspection: Inspection) -> Disorder | None:
    """By a sound record elsewhere: from the first build on that is not as it says, all is moved as it is."""
    if inspection.record is not None:
        return None
    from gemel.inspection.altered.moved_record import moved_record

    found = moved_record(inspection)
    layout, image = inspection.layout, inspection.image
    memories = [memory.span for memory in layout.memories.values() if memory.holds_image]
    if found is None or not all(
        any(each.covers(one.stored) for each in memories) for one in found.record.builds
    ):
        return None
    distance = found.distance
    entries = sorted(found.record.builds, key=lambda each: each.stored_start)
    away = [each for each in entries if digests_of(layout, image, each.stored).sha256 != each.sha256]
    later = [each for each in entries if away and each.stored_start >= away[0].stored_start]
    moved = [
        each
        for each in later
        if each.stored_start + distance >= 0
        and digests_of(layout, image, each.stored.moved(distance)).sha256 == each.sha256
    ]
    if not away or moved not in (later, later[1:]) or not (moved or abs(distance) < MAX_DISTANCE):
        return None
    first, inside = away[0], "" if moved == later else "inside "
    what, _, next_step = shifted(distance, "")
    return Disorder(
        f"build {first.name}, {first.stored}",
        f"{what} from {inside}build {first.name} on",
        f"the record{''.join(f' and build {each.name}' for each in moved)}, {abs(distance):,} bytes "
        f"{'after' if distance > 0 else 'before'} {'their places' if moved else 'its place'}",
        f"build {first.name} at {first.stored}, as the record says",
        first.stored,
        next_step,
    )


def _by_exchange(inspection: Inspection) -> Disorder | None:
    tables = map(inspection.vector_table, inspection.layout.builds) if inspection.record else ()
    if any(table and runs_from(inspection, table.placed, table.words[1] & ~1) for table in tables):
        return None  # a core would start

    found = _exchanged_parts(inspection)
    if not found:
        return None
    what = "parts of the image are exchanged: each build is whole at another place"
    next_step = "read the device again, with its banks of flash in the order of the layout"
    place = inspection.image.bounds() or Span(0, 1)
    return Disorder("the image", what, found, "each build at its place in the record", place, next_step)


def _by_tables(inspection: Inspection) -> Disorder | None:
    """By the vector tables of builds that are not given: swapped, or moved by what no linker leaves before them."""
    signs = table_signs(inspection)
    if not signs:
        return None
    first = signs[0]
    count = len(vector_builds(inspection.layout))
    all_alike = len(signs) == count > 1 and len({(sign.order, sign.distance) for sign in signs}) == 1
    where = "the image" if all_alike else f"build {first.plan.name}, from {format_address(first.place)} on"
    span = Span(first.place, HEAD)
    expected = "each at its place in the layout" if all_alike else f"at {format_address(first.place)}"
    if first.order:
        return Disorder(
            where,
            first.order.what,
            inspection.bytes_of(span).hex(" ").upper(),
            "a stack pointer in RAM and handlers in code, which these bytes are in the other order",
            span,
            first.order.next_step(),
        )
    from gemel.inspection.altered.text_conversions import line_ends

    if ends := line_ends(inspection, first.place + first.distance, first.distance):
        return conversion_of(inspection, ends)
    if not all_alike and first.distance > 0 and first.distance % 4 == 0 and not _is_moved(inspection, first):
        return None  # something may be linked before it: vector-table-not-blank says so
    what, _, next_step = shifted(first.distance, "")
    found = f"its vector table at {format_address(first.place + first.distance)}"
    return Disorder(
        where, what, "all vector tables are there" if all_alike else found, expected, span, next_step
    )


def _is_moved(inspection: Inspection, sign: TableSign) -> bool:
    """Whether the record's digest of the build holds at the distance, so that nothing was linked before it."""
    if (entry := inspection.entry_of(sign.plan.name)) is None:
        return False
    moved = entry.stored.moved(sign.distance)
    return digests_of(inspection.layout, inspection.image, moved).sha256 == entry.sha256


def _signed(distance: int) -> str:
    return f"{'+' if distance > 0 else '-'}0x{abs(distance):X}"


def _exchanged_parts(inspection: Inspection) -> str:
    """How far each build is from its place, where all are whole at places of no other build; else empty."""
    layout, moved = inspection.layout, dict[str, int]()
    plans = vector_builds(layout) if inspection.record else []
    for plan in plans:
        entry, start = inspection.entry_of(plan.name), table_span(layout, plan).start
        if entry is None or digests_of(layout, inspection.image, entry.stored).sha256 == entry.sha256:
            return ""
        for table in likely_tables(inspection, plan, layout.memory_of(plan.stored_in).span):
            there = entry.stored.moved(table - start)
            if any(table_span(layout, other).start == table for other in plans):
                continue  # vectors-of-own-build shows builds that were exchanged
            if digests_of(layout, inspection.image, there).sha256 == entry.sha256:
                moved[plan.name] = table - start
    if len(moved) < len(plans) or len(set(moved.values())) < 2:
        return ""
    return " and ".join(
        f"build {name} 0x{abs(distance):X} {'higher' if distance > 0 else 'lower'}"
        for name, distance in moved.items()
    )
