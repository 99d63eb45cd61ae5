"""Whether what should stand at a place, from a build that is given, stands there in another order, or elsewhere."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.image.sparse import SparseBytes
from gemel.inspection.altered.disorders import MAX_DISTANCE, WINDOW, Disorder, as_text, by_line, shifted
from gemel.inspection.image_bytes import differing
from gemel.inspection.inspection import Inspection
from gemel.layout.addresses import locate
from gemel.placement.placing import Piece, Placement
from gemel.spans import Span, align_down, format_address, without

SKIPPED = 16
"""Bytes from the first deviation on that may be lost or added there."""


SWAPPED = 64
"""Bytes that must be found in another order."""


NARROW_SHIFT = 64
"""Bytes by which what follows a place may be shifted inside an image."""


FILLED = 2
"""Different values that a window may have for all of it to be fill, which another fill is the inverse of."""


DIFFERENT = 8
"""Different values that a window must have at least, so that a match says something."""


def by_builds(inspection: Inspection) -> Disorder | None:
    """By the bytes of the builds that are given: the first sign in a piece that the image has otherwise."""
    patches = list(inspection.patches.known.values())
    for name, placement in inspection.placements.items():
        tried = 0
        expected: SparseBytes | None = None
        for piece in placement.pieces:
            located = locate(inspection.layout, piece.address)
            if located is None or not located.memory.holds_image or tried == MAX_DEVIATIONS:
                continue
            for place, window in _deviations(inspection, piece, patches):
                if not tried and (whole := as_text(inspection) or by_line(inspection)):
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
        return shifted(distance, f"they are {'after' if distance > 0 else 'before'} their place")
    for address, data in inspection.image.pieces():
        offset = bytes(data).find(window)
        if offset >= 0 and _all_there(inspection, address + offset - place):
            distance = address + offset - place
            return shifted(distance, f"they are at {format_address(place - SKIPPED + distance)}")
    return None


MAX_DEVIATIONS = 8
"""Pieces of a build that deviate and are looked into; the first ones show what happened to the rest."""


PROBE = 32
"""Bytes that are looked for, of what follows a deviation."""


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
        around = Span(max(0, at - MAX_DISTANCE), 2 * MAX_DISTANCE + PROBE)
        offset = inspection.image.read(around, inspection.erased_byte_at(place)).find(probe)
        distance = around.start + offset - at
        if offset >= 0 and distance and _all_moved(inspection, expected, Span.from_bounds(at, end), distance):
            return shifted(
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
