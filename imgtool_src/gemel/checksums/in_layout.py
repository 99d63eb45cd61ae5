"""A layout's checksums over an image: their bytes, their size, and what is wrong with them as declared."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import chain

from gemel.checksums.algorithms import (
    Algorithm,
    algorithm_from,
    compute,
    feed_problem,
    stored_bytes,
    stored_size,
    unit_size,
)
from gemel.errors import GemelError, LayoutError, Problem
from gemel.image.sparse import SparseBytes
from gemel.layout.checks.values import overlap_faults, span_of_range
from gemel.layout.kinds import KeyPath, LayoutFault
from gemel.layout.model import Checksum, Layout
from gemel.placement.placed import blocks_of
from gemel.spans import Span, format_size
from gemel.structs import replace


def algorithm_of(checksum: Checksum) -> Algorithm:
    """The checksum's algorithm; raises LayoutError when the layout names none that exists."""
    return algorithm_from(checksum.algorithm, f"checksum {checksum.name}")


def checksum_size(checksum: Checksum) -> int:
    """Bytes that the checksum takes in the image."""
    return stored_size(algorithm_of(checksum))


def checksum_bytes(
    layout: Layout, image: SparseBytes, checksum: Checksum, covered: Sequence[Span]
) -> bytes | Problem:
    """The checksum's bytes over ``covered`` as they stand in the image, or why there are none."""
    blocks = chain.from_iterable(blocks_of(layout, image, span) for span in covered)
    algorithm = algorithm_of(checksum)
    try:
        value = compute(algorithm, blocks, checksum.feed)
    except LayoutError as error:
        return replace(error.problems[0], where=f"checksum {checksum.name}")
    return stored_bytes(algorithm, value, checksum.byte_order)


def checksum_faults(layout: Layout) -> Iterator[LayoutFault]:
    """What is wrong with the layout's checksums: algorithms, feeds, uneven ranges, overlaps."""
    widths = []
    for index, checksum in enumerate(layout.checksums):
        path: KeyPath = ("checksum", index)
        try:
            algorithm = algorithm_of(checksum)
        except GemelError as error:
            yield from (LayoutFault.of(problem, (*path, "algorithm")) for problem in error.problems)
            continue
        widths.append(stored_size(algorithm))
        if problem := feed_problem(algorithm, checksum.feed):
            yield LayoutFault.of(problem, (*path, "feed"))
            continue
        yield from _uneven_ranges(layout, checksum, path, unit_size(algorithm, checksum.feed))
    if len(widths) == len(layout.checksums):
        yield from overlap_faults(layout, widths)


def _uneven_ranges(layout: Layout, checksum: Checksum, path: KeyPath, unit: int) -> Iterator[LayoutFault]:
    """Ranges whose ends are not multiples of the unit, where the layout alone shows them."""
    for key, ranges in (("over", checksum.over), ("except", checksum.exceptions)):
        for position, item in enumerate(ranges):
            span = span_of_range(layout, item)
            if span and (span.start % unit or span.size % unit):
                found = f"{span}, {format_size(span.size)}"
                expected = f"ends at multiples of {unit} bytes, the unit it is taken in"
                yield LayoutFault(
                    (*path, key, position), "range does not come out even", found=found, expected=expected
                )
