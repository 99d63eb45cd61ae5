"""Address arithmetic: spans of addresses, alignment, how both are printed, and where bytes are in others.

Everything here works on plain 32-bit byte addresses.  A span is written ``start..last`` with an
inclusive end, as in a device's memory map.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Annotated, TypeVar

from gemel.structs import NamedTuple

T = TypeVar("T")

ADDRESS_SPACE = 1 << 32
"""Number of byte addresses of a 32-bit core."""


class Address(int):
    """A 32-bit address or word; in JSON it comes with its text."""


SIGNED = object()
Signed = Annotated[int, SIGNED]
"""A number that may be negative; the JSON Schema of every other one says that it is not."""


class Span(NamedTuple):
    """``size`` bytes from address ``start`` on.

    ``start`` is 0 to 2**32 - 1 and ``size`` at least 0; the constructor does not check, since spans
    read from hostile files must be representable before they can be refused.  Sorts by address.
    """

    start: int
    size: int

    @classmethod
    def from_bounds(cls, start: int, end: int) -> Span:
        """The span from ``start`` up to but not including ``end``; empty if ``end <= start``."""
        return cls(start, end - start if end > start else 0)

    @property
    def end(self) -> int:
        """First address after the span (exclusive end)."""
        return self.start + self.size

    @property
    def last(self) -> int:
        """Last address of the span (inclusive end)."""
        return self.start + self.size - 1

    def holds(self, address: int) -> bool:
        """Whether ``address`` is in the span."""
        return self.start <= address < self.start + self.size

    def covers(self, other: Span) -> bool:
        """Whether all of ``other`` is in this span; an empty span is covered where it starts."""
        return self.start <= other.start and other.end <= self.end

    def overlaps(self, other: Span) -> bool:
        """Whether the two share at least one byte."""
        start, size = self
        first, count = other
        return start < first + count and first < start + size and size > 0 and count > 0

    def intersection(self, other: Span) -> Span:
        """The bytes both hold; empty (size 0) when they share none."""
        return Span.from_bounds(max(self.start, other.start), min(self.end, other.end))

    def moved(self, distance: int) -> Span:
        """The same size, ``distance`` bytes further on."""
        return Span(self.start + distance, self.size)

    def __str__(self) -> str:
        if self.size == 0:
            return f"{format_address(self.start)} (empty)"
        return f"{format_address(self.start)}..{format_address(self.last)}"


def merge(spans: Iterable[Span], gap: int = 0) -> list[Span]:
    """``spans`` sorted by address, with those joined that overlap or touch, and empty ones dropped.

    So are those with no more than ``gap`` bytes between them; with -1 not those that only touch.
    """
    result: list[Span] = []
    for span in sorted(span for span in spans if span.size):
        if result and span.start <= result[-1].end + gap:
            previous = result[-1]
            result[-1] = Span.from_bounds(previous.start, max(previous.end, span.end))
        else:
            result.append(span)
    return result


def without(spans: Iterable[Span], holes: Iterable[Span]) -> list[Span]:
    """``spans`` (merge) less every byte of ``holes``, sorted by address."""
    result: list[Span] = []
    cuts, index = merge(holes), 0
    for span in merge(spans):
        start = span.start
        while index < len(cuts) and cuts[index].start < span.end:
            cut = cuts[index]
            if cut.start > start:
                result.append(Span.from_bounds(start, cut.start))
            start = max(start, cut.end)
            if cut.end > span.end:  # it reaches into the next span too
                break
            index += 1
        if start < span.end:
            result.append(Span.from_bounds(start, span.end))
    return result


def shared_parts(first: Sequence[Span], second: Sequence[Span]) -> Iterator[Span]:
    """What spans of both have in common; those of each are disjoint and in order."""
    here = there = 0
    while here < len(first) and there < len(second):
        shared = first[here].intersection(second[there])
        if shared.size:
            yield shared
        if first[here].end <= second[there].end:
            here += 1
        else:
            there += 1


def overlapping(placed: Iterable[tuple[Span, T]]) -> Iterator[tuple[tuple[Span, T], tuple[Span, T]]]:
    """Every two of ``placed`` whose spans overlap, by address."""
    ordered = sorted(placed, key=lambda each: each[0])
    for index, first in enumerate(ordered):
        for second in ordered[index + 1 :]:
            if second[0].start >= first[0].end:
                break
            yield first, second


def offsets_of(wanted: bytes, data: bytes, start: int = 0) -> Iterator[int]:
    """Each offset in ``data``, from ``start`` on, at which ``wanted`` is; of overlapping ones too."""
    at = data.find(wanted, start)
    while at >= 0:
        yield at
        at = data.find(wanted, at + 1)


def align_up(value: int, unit: int) -> int:
    """The smallest multiple of ``unit`` (at least 1) that is not below ``value``."""
    return -(-value // unit) * unit


def align_down(value: int, unit: int) -> int:
    """The largest multiple of ``unit`` (at least 1) that is not above ``value``."""
    return value // unit * unit


def is_power_of_two(value: int) -> bool:
    """Whether ``value`` is 1, 2, 4, 8 and so on."""
    return value > 0 and value & (value - 1) == 0


def format_address(address: int) -> str:
    """``0x1000_0000``: eight hexadecimal digits (more if it takes more), grouped by four."""
    if address < 0:
        return f"-{format_address(-address)}"
    digits = f"{address:08X}"
    head = len(digits) % 4
    groups = ([digits[:head]] if head else []) + [digits[i : i + 4] for i in range(head, len(digits), 4)]
    return "0x" + "_".join(groups)


def format_size(size: int) -> str:
    """``12 KiB (12,288 bytes)``; ``12,300 bytes`` where no binary unit divides it evenly."""
    plain = "1 byte" if size == 1 else f"{size:,} bytes"
    for unit, name in ((1 << 30, "GiB"), (1 << 20, "MiB"), (1 << 10, "KiB")):
        if size >= unit and size % unit == 0:
            return f"{size // unit:,} {name} ({plain})"
    return plain
