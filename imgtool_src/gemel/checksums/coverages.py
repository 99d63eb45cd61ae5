"""What a checksum may cover instead of what the layout says, for ``diagnosis``: misunderstandings, and other ends.

    start   some bytes earlier or later, the area's start, a build's start, after a build's vector table
    end     some bytes earlier or later, the area's end, a build's end, the checksum's own place

Each is tried alone, then every named start with every named end.  The checksum's own place and the
exceptions of the layout are left out of what is between them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from itertools import product

from gemel.checksums.crc_engine import MessageBytes
from gemel.checksums.diagnosis import Coverage
from gemel.image.sparse import SparseBytes
from gemel.spans import Span, align_up, format_address, format_size, merge, without
from gemel.structs import NamedTuple, Struct

_AT_ONCE = 1 << 20

Fill = int | None
"""What unwritten bytes count as; None: they are passed over."""


def declared_coverage(image: SparseBytes, covered: Sequence[Span], erased_byte: int) -> Coverage:
    """What the layout says: ``covered`` in this order, unwritten bytes as the erased byte."""
    return _coverage("", image, covered, erased_byte)


def usual_alternatives(
    image: SparseBytes, covered: Sequence[Span], left_out: Sequence[Span], place: Span, erased_byte: int
) -> list[Coverage]:
    """Other readings of the same ranges, likeliest first.

    ``covered`` is what the layout says, after ``left_out``, its exceptions, were taken away; ``place`` is
    where the checksum is.  Offered where they differ from what the layout says: the checksum's own bytes
    counted too (as stored, as zero, as erased) or not counted, the exceptions counted too, the last bytes
    left out, the range ended where the written bytes end, and unwritten bytes taken otherwise.
    """
    found = list(_own_place(image, covered, place, erased_byte))
    if others := [span for span in left_out if not span.overlaps(place)]:
        spans = _joined(covered, others)
        found.append(_coverage("if its exceptions are counted too", image, spans, erased_byte))
    size = sum(span.size for span in covered)
    for count in dict.fromkeys((place.size, 4)):
        if count < size:
            words = f"if the last {count} bytes are left out"
            found.append(_coverage(words, image, _shortened(covered, count), erased_byte))
    found.extend(_written_end(image, covered, erased_byte))
    if any(not image.holds(span) for span in covered):
        for fill in (0x00, 0xFF):
            if fill != erased_byte:
                found.append(_coverage(f"if unwritten bytes count as 0x{fill:02X}", image, covered, fill))
        found.append(_coverage("if unwritten bytes are passed over", image, covered, None))
    return found


def _own_place(
    image: SparseBytes, covered: Sequence[Span], place: Span, erased_byte: int
) -> Iterator[Coverage]:
    with_place = _joined(covered, [place])
    inside = any(span.overlaps(place) for span in covered)
    if inside:
        rest = [part for span in covered for part in without([span], [place])]
        yield _coverage("if its own place is left out", image, rest, erased_byte)
    elif not any(span.end == place.start or span.start == place.end for span in merge(covered)):
        return
    else:
        yield _coverage("if its own place is counted too, as stored", image, with_place, erased_byte)
    for words, byte in (("as zero", 0x00), ("as erased", erased_byte)):
        if byte or words == "as zero":
            yield _coverage(
                f"if its own place is counted {words}", image, with_place, erased_byte, (place, byte)
            )


def _written_end(image: SparseBytes, covered: Sequence[Span], erased_byte: int) -> Iterator[Coverage]:
    """Ends at the last written byte, and at the next multiples of 4 and 16."""
    if not covered or image.holds(covered[-1]):
        return
    last = covered[-1]
    held = image.held_in(last)
    if not held:
        return
    ends = dict.fromkeys(align_up(held[-1].end, unit) for unit in (1, 4, 16))
    for end in (end for end in ends if end < last.end):
        spans = [*covered[:-1], Span.from_bounds(last.start, end)]
        words = f"if it ends with the written bytes, before {format_address(end)}"
        yield _coverage(words, image, spans, erased_byte)


def _joined(covered: Sequence[Span], more: Sequence[Span]) -> list[Span]:
    """``covered`` with ``more`` put where its addresses belong, or after it if it is in no such order."""
    if list(covered) == sorted(covered):
        return merge([*covered, *more])
    return [*covered, *(part for span in more for part in without([span], covered))]


def _shortened(covered: Sequence[Span], count: int) -> list[Span]:
    result = list(covered)
    while count:
        last = result.pop()
        if last.size > count:
            result.append(Span(last.start, last.size - count))
        count = max(0, count - last.size)
    return result


def _coverage(
    words: str,
    image: SparseBytes,
    spans: Sequence[Span],
    fill: Fill,
    replaced: tuple[Span, int] | None = None,
) -> Coverage:
    if fill is None:
        size = sum(held.size for span in spans for held in image.held_in(span))
    else:
        size = sum(span.size for span in spans)
    blocks: Callable[[], Iterator[MessageBytes]] = partial(_blocks, image, tuple(spans), fill, replaced)
    return Coverage(words, size, blocks, parts=len(spans))


def _blocks(
    image: SparseBytes, spans: Sequence[Span], fill: Fill, replaced: tuple[Span, int] | None
) -> Iterator[MessageBytes]:
    for span in spans:
        for start in range(span.start, span.end, _AT_ONCE):
            part = Span(start, min(_AT_ONCE, span.end - start))
            if fill is None:
                yield from (piece for _, piece in image.pieces(part))
                continue
            block = bytearray(image.read(part, fill))
            if replaced:
                cut = part.intersection(replaced[0])
                offset = cut.start - part.start
                block[offset : offset + cut.size] = bytes((replaced[1],)) * cut.size
            yield block


DISTANCES = (1, 2, 3, 4, 8, 12, 16, 0x40, 0x100)
"""Bytes by which a range is made longer and shorter at either end: slips of bytes or words, a header."""


MAX_PARTS = 32
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
    if not covered or len(covered) > MAX_PARTS or list(covered) != sorted(covered):
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
