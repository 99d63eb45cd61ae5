"""Copies of other builds inside a build: where they are, and whether they are what the others are now."""

from __future__ import annotations

import struct
from collections.abc import Container, Iterable
from itertools import islice

from gemel.builds.elf.notes import build_id_notes
from gemel.image.sparse import SparseBytes
from gemel.inspection.image_bytes import Deviation, differing_where_held
from gemel.inspection.inspection import Inspection
from gemel.placement.placing import Placement
from gemel.spans import Span, offsets_of
from gemel.structs import NamedTuple

HEAD_SIZE = 8
"""Bytes that a copy is recognised by: the initial stack pointer and the reset handler of its vector table."""
TABLE_SIZE = 16
"""Bytes of the words that show an older vector table: the head, and handlers for NMI and hard fault."""

MAX_COPIES = 16
"""Copies of one build in another that are looked at."""

MAX_PLACES = 256
"""Words equal to an initial stack pointer after which an older vector table is looked for."""


class HeldCopy(NamedTuple):
    """Bytes of a build at a plain address."""

    address: int
    data: bytes

    @property
    def span(self) -> Span:
        """Where they are."""
        return Span(self.address, len(self.data))

    def cut(self, span: Span) -> HeldCopy:
        """The bytes of ``span`` (which is inside)."""
        start = span.start - self.address
        return HeldCopy(span.start, self.data[start : start + span.size])


class Copy(NamedTuple):
    """A copy of a build: where it is, its build ids, and how it differs from what it is a copy of.

    ``found`` and ``expected`` are the first byte that differs in the copy (empty where the copy ends
    before) and in the build.
    """

    span: Span
    build_ids: list[bytes]
    deviation: Deviation | None
    found: bytes = b""
    expected: bytes = b""


def held_by(inspection: Inspection, name: str) -> list[HeldCopy]:
    """The bytes of a build in its own areas: of the given file, else of the image; may be empty."""
    placement = inspection.placements.get(name)
    if placement is None:
        placed = inspection.placed.get(name)
        return [HeldCopy(placed.stored.start, inspection.bytes_of(placed.stored))] if placed else []
    return held_in(placement, inspection.layout.spans_of_build(placement.plan))


def held_in(placement: Placement, spans: list[Span]) -> list[HeldCopy]:
    """The bytes that a given build stores in ``spans``."""
    pieces = [HeldCopy(piece.address, piece.segment.data) for piece in placement.pieces]
    parts = [(piece, piece.span.intersection(span)) for piece in pieces for span in spans]
    return [piece.cut(part) for piece, part in parts if part.size]


def copy_in_place(inspection: Inspection, other: Placement | None, copy: list[HeldCopy]) -> Copy:
    """The copy of a build that is where that build is stored, against ``other`` (None: not given)."""
    extent = Span.from_bounds(copy[0].address, copy[-1].span.end)
    ids = [note.build_id for held in copy for note in build_id_notes(held.data)]
    if other is None:
        return Copy(extent, ids, None)
    original = _bytes_of(other, inspection.layout.spans_of_build(other.plan))
    erased = inspection.erased_byte_at(extent.start)
    for held in copy:
        if deviation := differing_where_held(original, held.address, held.data):
            first = Span(deviation.first, 1)
            return Copy(extent, ids, deviation, held.cut(first).data, original.read(first, erased))
    return Copy(extent, ids, None)


def _bytes_of(placement: Placement, spans: list[Span]) -> SparseBytes:
    """What a build stores in ``spans``, less the gaps between its sections."""
    from gemel.placement.places import gaps_between_sections

    image = SparseBytes()
    for held in held_in(placement, spans):
        image.write(held.address, held.data)
    for gap in gaps_between_sections(placement):
        image.erase(gap)
    return image


def copies_of(inspection: Inspection, placement: Placement, holder: list[HeldCopy]) -> list[Copy]:
    """Copies of the build of ``placement`` in ``holder``, found by the first words of its vector table.

    They are compared with what the build stores in the area of its code, from first byte to last, gaps left
    out, since the fill of a binary's gaps is its maker's choice; a copy that is cut short deviates from where
    it ends.
    """
    plan = placement.plan
    image = _bytes_of(placement, [inspection.layout.span_of(plan.stored_in)])
    bounds = image.bounds()
    vectors = _head_span(inspection, placement)
    if bounds is None or not image.holds(vectors):
        return []
    head = image.read(vectors, None)
    placed, reset = placement.placed, int.from_bytes(head[4:], "little")
    code = [placed.stored, Span(placed.run_start, placed.stored.size)] if placed else []
    if not _is_handler(reset, code):
        return []  # no vector table but code of a library, which is the same in both
    erased = inspection.erased_byte_at(bounds.start)
    # code that moves itself to RAM brings its table twice
    again = [
        bounds.start + at - vectors.start
        for at in islice(offsets_of(head, image.read(bounds, erased)), MAX_COPIES)
    ]
    others = {_head(inspection, each) for each in inspection.placements.values() if each is not placement}
    copies: list[Copy] = []
    for held in holder:
        inside: set[int] = set()
        for at in places_of_table(held.data, head, code, others):
            start = at - (vectors.start - bounds.start)
            if start >= 0 and at not in inside and len(copies) < MAX_COPIES:
                copies.append(_copy(image, bounds, held, start, erased))
                inside.update(at + distance for distance in again)
    return copies


def places_of_table(data: bytes, head: bytes, code: Iterable[Span], others: Container[bytes]) -> list[int]:
    """Where ``data`` has a vector table that begins with ``head``, else where it has an older one of the same build.

    An older one has the same initial stack pointer, and handlers for reset, NMI and hard fault in ``code``; ``others``
    are the heads of other builds.
    """
    if exact := list(islice(offsets_of(head, data), MAX_COPIES)):
        return exact
    found = []
    for at in islice(offsets_of(head[:4], data), MAX_PLACES):
        words = data[at + 4 : at + TABLE_SIZE]
        handlers = struct.unpack("<3I", words) if at + TABLE_SIZE <= len(data) else (0,)
        if all(_is_handler(word, code) for word in handlers):
            found += [] if data[at : at + HEAD_SIZE] in others else [at]
    return found


def _head_span(inspection: Inspection, placement: Placement) -> Span:
    plan = placement.plan
    return Span(inspection.layout.table_start(plan), HEAD_SIZE)


def _head(inspection: Inspection, placement: Placement) -> bytes:
    """The first words of a build's vector table."""
    return b"".join(each.data for each in held_in(placement, [_head_span(inspection, placement)]))


def _is_handler(word: int, code: Iterable[Span]) -> bool:
    return bool(word & 1) and any(span.holds(word) for span in code)


def _copy(image: SparseBytes, original: Span, holder: HeldCopy, start: int, erased: int) -> Copy:
    data = holder.data[start : start + original.size]
    ids = [note.build_id for note in build_id_notes(data)]
    distance = holder.address + start - original.start
    deviation = differing_where_held(image, original.start, data)
    if missing := original.size - len(data):
        cut = Deviation(original.start + len(data), original.last, missing)
        deviation = Deviation(deviation.first, cut.last, deviation.count + missing) if deviation else cut
    if deviation is None:
        return Copy(original.moved(distance), ids, None)
    at = deviation.first - original.start
    moved = Deviation(deviation.first + distance, deviation.last + distance, deviation.count)
    expected = image.read(Span(deviation.first, 1), erased)
    return Copy(original.moved(distance), ids, moved, data[at : at + 1], expected)


def ids_in(holder: list[HeldCopy], left_out: list[Span]) -> list[tuple[int, bytes]]:
    """Address and build id of each note in ``holder`` that begins outside ``left_out``."""
    return [
        (held.address + note.offset, note.build_id)
        for held in holder
        for note in build_id_notes(held.data)
        if not any(span.holds(held.address + note.offset) for span in left_out)
    ]
