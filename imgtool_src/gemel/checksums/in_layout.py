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
from gemel.layout.checks.values import overlap_faults
from gemel.layout.kinds import KeyPath, LayoutFault
from gemel.layout.model import AreaRange, BuildRange, Checksum, Layout, SpanRange
from gemel.placement.placed import blocks_of
from gemel.spans import Span, format_size


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
        problem = error.problems[0]
        return Problem(
            problem.what,
            where=f"checksum {checksum.name}",
            found=problem.found,
            expected=problem.expected,
            next_step=problem.next_step,
        )
    return stored_bytes(algorithm, value, checksum.byte_order)


def checksum_faults(layout: Layout) -> Iterator[LayoutFault]:
    """What is wrong with the layout's checksums: algorithms, feeds, uneven ranges, overlaps."""
    widths = []
    for index, checksum in enumerate(layout.checksums):
        path: KeyPath = ("checksum", index)
        try:
            algorithm = algorithm_of(checksum)
        except GemelError as error:
            for problem in error.problems:
                yield _fault((*path, "algorithm"), problem)
            continue
        widths.append(stored_size(algorithm))
        if problem_of_feed := feed_problem(algorithm, checksum.feed):
            yield _fault((*path, "feed"), problem_of_feed)
            continue
        yield from _uneven_ranges(layout, checksum, path, unit_size(algorithm, checksum.feed))
    if len(widths) == len(layout.checksums):
        yield from overlap_faults(layout, widths)


def _uneven_ranges(layout: Layout, checksum: Checksum, path: KeyPath, unit: int) -> Iterator[LayoutFault]:
    """Ranges whose ends are not multiples of the unit, where the layout alone shows them."""
    for key, ranges in (("over", checksum.over), ("except", checksum.exceptions)):
        for position, item in enumerate(ranges):
            if isinstance(item, BuildRange):
                continue
            if isinstance(item, SpanRange):
                span = Span(item.start, item.size)
            else:
                area = layout.span_of(item.area if isinstance(item, AreaRange) else item)
                offset, size = (item.offset, item.size) if isinstance(item, AreaRange) else (0, None)
                span = Span(area.start + offset, size or area.size - offset)
            if span.start % unit or span.size % unit:
                found = f"{span}, {format_size(span.size)}"
                expected = f"ends at multiples of {unit} bytes, the unit it is taken in"
                yield LayoutFault(
                    (*path, key, position), "range does not come out even", found=found, expected=expected
                )


def _fault(path: KeyPath, problem: Problem) -> LayoutFault:
    return LayoutFault(
        path, problem.what, found=problem.found, expected=problem.expected, next_step=problem.next_step
    )
