"""Whether an image's bytes are where and in the order they should be: swapped in words, shifted, at an alias.

One such fault of a conversion or a programmer's setting makes nearly every rule complain.  It is recognised
by what should stand at a place, from a build or the record's mark, and stands there in another order, or
elsewhere at one distance.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.image.sparse import SparseBytes
from gemel.inspection.altered.table_order import HEAD, TableSign, table_signs
from gemel.inspection.cores.vector_tables import table_distance
from gemel.inspection.cores.views import runs_from
from gemel.inspection.image_bytes import differing
from gemel.inspection.inspection import Inspection
from gemel.inspection.instead_of_tables import vector_builds
from gemel.layout.addresses import locate, starts_of
from gemel.placement.placed import digests_of
from gemel.placement.placing import Piece, Placement
from gemel.record.format import MARK
from gemel.spans import Span, align_down, format_address, without
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.inspection.altered.text_conversions import Conversion

WINDOW, SKIPPED = 256, 16
"""Bytes from the first deviation on that are looked for, and how many of them may be lost or added there."""
SWAPPED = 64
"""Bytes that must be found in another order."""
NARROW_SHIFT = 64
"""Bytes by which what follows a place may be shifted inside an image."""
FILLED = 2
"""Different values that a window may have for all of it to be fill, which another fill is the inverse of."""
DIFFERENT = 8
"""Different values that a window must have at least, so that a match says something."""


class Disorder(NamedTuple):
    """Where the order is lost, how, what is found there, and what to do."""

    where: str
    what: str
    found: str
    expected: str
    span: Span
    next_step: str


def disorder(inspection: Inspection) -> Disorder | None:
    """The first sign of bytes in another order; None if there is none."""
    return (
        _blank(inspection)
        or _at_alias(inspection)
        or _by_builds(inspection)
        or _by_record(inspection)
        or _by_tables(inspection)
        or _by_moved_record(inspection)
        or _by_exchange(inspection)
    )


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
    return Disorder(
        "the image",
        "no byte of the image is in a memory that the layout has for it",
        f"bytes at {bounds}",
        "bytes in " + ", ".join(f"{memory.words}, {memory.span}" for memory in memories),
        bounds,
        "correct the addresses of the memories, or give the layout that the image was made for; read a binary at "
        "its address (--at)",
    )


def _as_text(inspection: Inspection) -> Disorder | None:
    """By what a conversion of text leaves of a build's bytes, or of any code, where these are not as they should be."""
    from gemel.inspection.altered.text_conversions import conversion

    found = conversion(inspection)
    return _converted(inspection, found) if found else None


def _by_line(inspection: Inspection) -> Disorder | None:
    from gemel.inspection.altered.stuck_lines import stuck_line

    found = stuck_line(inspection)
    return found and Disorder(
        "the image",
        found[0],
        found[1],
        "the bytes of the builds",
        inspection.image.bounds() or Span(0, 1),
        "read or transfer the image again: a contact of the programmer, its socket or its cable may be open",
    )


def _converted(inspection: Inspection, found: Conversion) -> Disorder:
    return Disorder(
        "the image",
        f"the image {found.what}",
        found.found,
        "any byte anywhere, as in a binary",
        inspection.image.bounds() or Span(0, 1),
        "transfer the file again as binary; in git, mark it as binary in .gitattributes",
    )


def _by_builds(inspection: Inspection) -> Disorder | None:
    patches = list(inspection.patches.known.values())
    for name, placement in inspection.placements.items():
        tried = 0
        expected: SparseBytes | None = None
        for piece in placement.pieces:
            located = locate(inspection.layout, piece.address)
            if located is None or not located.memory.holds_image or tried == MAX_DEVIATIONS:
                continue
            for place, window in _deviations(inspection, piece, patches):
                if not tried and (whole := _as_text(inspection) or _by_line(inspection)):
                    return whole
                tried += 1
                how = _how(inspection, place, window)
                if not how:
                    if expected is None:
                        expected = _without(placement, patches)
                    how = _rest(inspection, placement, place, expected)
                if how:
                    what, found, next_step = how
                    return Disorder(
                        f"build {name} ({placement.build.file}), from {format_address(place)} on",
                        f"{what} from {format_address(place)} on",
                        found,
                        f"{window[:16].hex(' ').upper()}, as in {placement.build.file}",
                        Span(place, len(window)),
                        next_step,
                    )
    return None


def _deviations(inspection: Inspection, piece: Piece, patches: list[Span]) -> Iterator[tuple[int, bytes]]:
    """The first place of a piece where the image deviates, and what should stand from there on."""
    for span in without([piece.span], patches):
        start = span.start - piece.address
        data = memoryview(piece.segment.data)[start : start + span.size]
        deviation = differing(inspection.image, span.start, data, inspection.erased_byte_at(span.start))
        if deviation:
            first = max(span.start, align_down(deviation.first, 8))
            window = bytes(piece.segment.data[first - piece.address :][:WINDOW])
            yield first, window
            return


def _how(inspection: Inspection, place: int, window: bytes) -> tuple[str, str, str] | None:
    """In which way ``window`` is there all the same: what is wrong, what was found, what to do."""
    if len(window) < SWAPPED + SKIPPED:
        return None
    from gemel.inspection.byte_orders import ORDERS

    held = inspection.image.read(Span(place, SWAPPED), inspection.erased_byte_at(place))
    for order in ORDERS if len(set(window[:SWAPPED])) > FILLED else ():
        if held == order.of(window[:SWAPPED]) != window[:SWAPPED]:
            return order.what, held[:16].hex(" ").upper(), order.next_step()
    window, place = window[SKIPPED:], place + SKIPPED
    if len(set(window)) < DIFFERENT:
        return None
    if inspection.image.read(Span(place, len(window)), inspection.erased_byte_at(place)) == window:
        return None  # some bytes are different, and the rest is where it should be
    around = Span(max(0, place - NARROW_SHIFT), len(window) + 2 * NARROW_SHIFT)
    near = inspection.image.read(around, inspection.erased_byte_at(place))
    offset = near.find(window)
    if offset >= 0:
        distance = around.start + offset - place
        return _shifted(distance, f"they are {'after' if distance > 0 else 'before'} their place")
    for address, data in inspection.image.pieces():
        offset = bytes(data).find(window)
        if offset >= 0 and _all_there(inspection, address + offset - place):
            distance = address + offset - place
            return _shifted(distance, f"they are at {format_address(place - SKIPPED + distance)}")
    return None


MAX_DEVIATIONS = 8
"""Pieces of a build that deviate and are looked into; the first ones show what happened to the rest."""

PROBE, FURTHEST = 32, 4096
"""Bytes that are looked for, of what follows a deviation, and how far from their place."""


def _without(placement: Placement, patches: list[Span]) -> SparseBytes:
    """What the image should hold of a build, without what is patched."""
    expected = SparseBytes()
    for address, data in placement.stored_without(patches):
        expected.write(address, data)
    return expected


def _rest(
    inspection: Inspection, placement: Placement, place: int, expected: SparseBytes
) -> tuple[str, str, str] | None:
    """Whether all that the build has after some bytes that are lost or added is there, at one distance."""
    if placement.placed is None:
        return None
    inside = [piece.span.end for piece in placement.pieces if placement.placed.stored.holds(piece.address)]
    end = max(inside, default=place)
    for skipped in (SKIPPED, *(1 << power for power in range(6, 13)), (end - place) // 2):
        at = place + skipped
        if at + 2 * PROBE > end or not expected.holds(Span(at, PROBE)):
            continue
        probe = expected.read(Span(at, PROBE), None)
        if len(set(probe)) < DIFFERENT:
            continue
        around = Span(max(0, at - FURTHEST), 2 * FURTHEST + PROBE)
        offset = inspection.image.read(around, inspection.erased_byte_at(place)).find(probe)
        distance = around.start + offset - at
        if offset >= 0 and distance and _all_moved(inspection, expected, Span.from_bounds(at, end), distance):
            return _shifted(
                distance, f"what follows {format_address(at)} is at {format_address(at + distance)}"
            )
    return None


def _all_moved(inspection: Inspection, expected: SparseBytes, rest: Span, distance: int) -> bool:
    """Whether every byte of ``rest`` is found at the distance: a newer build differs in some of them."""
    if rest.start + distance < 0:
        return False
    return all(
        inspection.image.read(Span(address + distance, len(data)), 0xFF) == bytes(data)
        for address, data in expected.pieces(rest)
    )


def _shifted(distance: int, found: str) -> tuple[str, str, str]:
    side = "higher" if distance > 0 else "lower"
    amount = f"{abs(distance):,}" if abs(distance) < 4096 else f"0x{abs(distance):X}"
    return (
        f"all bytes are {amount} too {side.removesuffix('er')}",
        found,
        f"move them {amount} bytes {'down' if distance > 0 else 'up'}: was the binary read at the right address "
        "(--at), or a header added or removed?",
    )


def _all_there(inspection: Inspection, distance: int) -> bool:
    """Whether every given build is found at one distance, so that it is no copy of one inside another."""
    for placement in inspection.placements.values():
        piece = next((each for each in placement.pieces if len(each.segment.data) >= 16), None)
        if piece is None:
            continue
        head = bytes(piece.segment.data[:16])
        if piece.address + distance < 0:
            return False
        if inspection.image.read(Span(piece.address + distance, 16), 0xFF) != head:
            return False
    return True


def _by_record(inspection: Inspection) -> Disorder | None:
    """By the mark of the record and, where no build is given, by the vector tables."""
    plan = inspection.layout.record
    if inspection.record is not None or (inspection.placements and plan is None):
        return None
    if converted := _as_text(inspection):
        return converted
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
    what, _, next_step = _shifted(distance, "")
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
    if not away or moved not in (later, later[1:]) or not (moved or abs(distance) < FURTHEST):
        return None
    first, inside = away[0], "" if moved == later else "inside "
    what, _, next_step = _shifted(distance, "")
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

    from gemel.inspection.altered.exchanged_parts import exchanged_parts

    found = exchanged_parts(inspection)
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
        return _converted(inspection, ends)
    if not all_alike and first.distance > 0 and first.distance % 4 == 0 and not _is_moved(inspection, first):
        return None  # something may be linked before it: vector-table-not-blank says so
    what, _, next_step = _shifted(first.distance, "")
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
