"""Ranges that start or end elsewhere than the layout says, for ``diagnosis``.

    start   some bytes earlier or later, the area's start, a build's start, after a build's vector table
    end     some bytes earlier or later, the area's end, a build's end, the checksum's own place

Each is tried alone, then every named start with every named end.  The checksum's own place and the
exceptions of the layout are left out of what is between them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product

from gemel.checksums.coverages import declared_coverage
from gemel.checksums.diagnosis import Coverage
from gemel.image.sparse import SparseBytes
from gemel.spans import Span, format_address, format_size, merge, without
from gemel.structs import NamedTuple, Struct

DISTANCES = (1, 2, 3, 4, 8, 12, 16, 0x40, 0x100)
"""Bytes by which a range is made longer and shorter at either end: slips of bytes or words, a header."""


MANY_PARTS = 32
"""Ranges of a checksum of which no other ends are offered: each takes as long as all of them."""


class Bound(NamedTuple):
    """An address at which a range may start or end, and which it is, as in ``at the end of area link``."""

    address: int
    words: str


class OtherBounds(Struct):
    """The ranges to try, and the addresses at which they start and end, for the reader."""

    coverages: tuple[Coverage, ...]
    starts: tuple[int, ...]
    ends: tuple[int, ...]

    def __str__(self) -> str:
        if not self.coverages:
            return ""
        starts, ends = _few(self.starts), _few([end - 1 for end in self.ends])
        return f"ranges tried: with their first byte at {starts}; with their last byte at {ends}"


def _few(addresses: Sequence[int]) -> str:
    """A few addresses, or of many how many there are from the lowest to the highest."""
    each = sorted(set(addresses))
    if len(each) <= 3:
        return ", ".join(map(format_address, each))
    return f"{len(each)} addresses from {format_address(each[0])} to {format_address(each[-1])}"


def other_bounds(
    image: SparseBytes,
    covered: Sequence[Span],
    place: Span,
    erased_byte: int,
    memory: Span,
    starts: Sequence[Bound],
    ends: Sequence[Bound],
    unit: int = 1,
) -> OtherBounds:
    """Ranges inside ``memory`` with other ends than ``covered``, likeliest first, each once.

    ``starts`` and ``ends`` are the named bounds.  ``unit`` is the number of bytes that are taken at once, of
    which a range must be a multiple.  Nothing is offered for ranges that do not ascend, or are many.
    """
    if not covered or len(covered) > MANY_PARTS or list(covered) != sorted(covered):
        return OtherBounds((), (), ())
    hull = Span.from_bounds(covered[0].start, covered[-1].end)
    holes = [*without([hull], covered), place]
    seen = {tuple(merge(covered)), tuple(without([hull], holes))}
    coverages, spans = [], []
    for span, words in _ranges(hull, starts, [Bound(place.start, "before its own place"), *ends]):
        parts = tuple(without([span], holes)) if span.size > 0 and memory.covers(span) else ()
        if parts and parts not in seen and not any(part.size % unit for part in parts):
            seen.add(parts)
            spans.append(span)
            made = declared_coverage(image, parts, erased_byte)
            taken = Span.from_bounds(parts[0].start, parts[-1].end)
            coverages.append(
                Coverage(f"if it covers {taken}, {words}", made.size, made.blocks, True, made.parts)
            )
    return OtherBounds(
        tuple(coverages), tuple(span.start for span in spans), tuple(span.end for span in spans)
    )


def _ranges(hull: Span, starts: Sequence[Bound], ends: Sequence[Bound]) -> Iterator[tuple[Span, str]]:
    """Ranges with one other end, then with two named ones, and what is other about them."""
    for start in (*starts, *_near(hull.start)):
        yield _span(start.address, hull.end), f"starting {start.words}"
    for end in (*ends, *_near(hull.end)):
        yield _span(hull.start, end.address), f"ending {end.words}"
    for start, end in product(starts, ends):
        yield _span(start.address, end.address), f"starting {start.words} and ending {end.words}"


def _near(address: int) -> Iterator[Bound]:
    for distance in DISTANCES:
        yield Bound(address + distance, f"{format_size(distance)} later")
        if address >= distance:
            yield Bound(address - distance, f"{format_size(distance)} earlier")


def _span(start: int, end: int) -> Span:
    return Span.from_bounds(start, max(start, end))
