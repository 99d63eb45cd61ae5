"""Copies of other builds inside a build: where they are, and whether they are what the others are now."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from gemel.check.build_ids import build_id_notes
from gemel.check.image_bytes import Deviation, differing
from gemel.image.sparse import SparseBytes
from gemel.join.placement import Placement
from gemel.spans import Span

if TYPE_CHECKING:
    from gemel.check.subject import Subject

HEAD_SIZE = 8
"""Bytes that a copy is recognised by: the initial stack pointer and the reset handler of its vector table."""
COPIES_LIMIT = 16
"""Copies of one build in another that are looked at."""


class Held(NamedTuple):
    """Bytes of a build at a plain address."""

    address: int
    data: bytes

    @property
    def span(self) -> Span:
        """Where they lie."""
        return Span(self.address, len(self.data))

    def cut(self, span: Span) -> Held:
        """The bytes of ``span`` (which lies inside)."""
        start = span.start - self.address
        return Held(span.start, self.data[start : start + span.size])


class Copy(NamedTuple):
    """A copy found by its bytes: where it lies, and how it differs from the build it is a copy of."""

    span: Span
    deviation: Deviation | None


def held_by(subject: Subject, name: str) -> list[Held]:
    """The bytes of a build in its own area: of the file at hand, else of the image; may be empty."""
    placement = subject.placements.get(name)
    if placement is None:
        placed = subject.placed.get(name)
        return [Held(placed.stored.start, subject.bytes_of(placed.stored))] if placed else []
    return held_in(placement, subject.layout.span_of(placement.plan.stored_in))


def held_in(placement: Placement, span: Span) -> list[Held]:
    """The bytes that a build at hand stores in ``span``."""
    pieces = [Held(piece.address, piece.segment.data) for piece in placement.pieces]
    parts = [(piece, piece.span.intersection(span)) for piece in pieces]
    return [piece.cut(part) for piece, part in parts if part.size]


def own_bytes(subject: Subject, placement: Placement) -> SparseBytes:
    """What a build at hand stores in its own area, by plain address."""
    image = SparseBytes()
    for held in held_in(placement, subject.layout.span_of(placement.plan.stored_in)):
        image.write(held.address, held.data)
    return image


def copies_of(subject: Subject, placement: Placement, holder: list[Held]) -> list[Copy]:
    """Copies of the build of ``placement`` in ``holder``, found by the first words of its vector table.

    They are compared with the build from its first byte to its last; a copy that is cut short deviates
    from where it ends.
    """
    plan = placement.plan
    image = own_bytes(subject, placement)
    bounds = image.bounds()
    vectors = Span(subject.layout.span_of(plan.stored_in).start + plan.vector_offset, HEAD_SIZE)
    if bounds is None or not image.holds(vectors):
        return []
    head = image.read(vectors, None)
    if len(set(head)) == 1:
        return []
    erased = subject.erased_byte_at(bounds.start)
    copies: list[Copy] = []
    for held in holder:
        at = held.data.find(head)
        while at >= 0 and len(copies) < COPIES_LIMIT:
            start = at - (vectors.start - bounds.start)
            if start >= 0:
                copies.append(_copy(image, bounds, held, start, erased))
            at = held.data.find(head, at + 1)
    return copies


def _copy(image: SparseBytes, original: Span, holder: Held, start: int, erased: int) -> Copy:
    data = holder.data[start : start + original.size]
    deviation = differing(image, original.start, data, erased)
    missing = original.size - len(data)
    if missing:
        cut = Deviation(original.start + len(data), original.last, missing)
        deviation = Deviation(deviation.first, cut.last, deviation.count + missing) if deviation else cut
    distance = holder.address + start - original.start
    if deviation:
        deviation = Deviation(deviation.first + distance, deviation.last + distance, deviation.count)
    return Copy(original.moved(distance), deviation)


def ids_in(holder: list[Held], left_out: list[Span]) -> list[tuple[int, bytes]]:
    """Address and build id of each note in ``holder`` that begins outside ``left_out``."""
    return [
        (held.address + note.offset, note.build_id)
        for held in holder
        for note in build_id_notes(held.data)
        if not any(span.holds(held.address + note.offset) for span in left_out)
    ]
