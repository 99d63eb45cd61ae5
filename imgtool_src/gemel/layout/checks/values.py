"""What a layout says of stamps and checksums, as far as it can be known without the builds.

Where a value goes is known for an address and for a place in an area; where a symbol is, is only known
at join, which looks at the same things again.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from itertools import accumulate

from gemel.layout.addresses import locate, stated_span
from gemel.layout.checks.areas import ends_after_memory
from gemel.layout.kinds import KeyPath, LayoutFault
from gemel.layout.model import (
    NOT_FREE,
    RECORD_NAME,
    AreaPlace,
    AreaRange,
    BuildRange,
    Checksum,
    CrcTable,
    Layout,
    PatchPlace,
    Range,
    StampValue,
)
from gemel.spans import Span, format_address, format_size, overlapping, without
from gemel.structs import Struct

SHA256_SIZE = 32

MAX_COVERED, MAX_FLASH = 1 << 28, 1 << 30
"""Bytes that checksums and SHA-256 stamps cover together, each counted, and bytes of flash with a record, whose digest
covers them all: a second's work.  A sum takes many times as long as a CRC, and counts SUM_WEIGHT times."""
SUM_WEIGHT = 4

MAX_RANGES = 4_096
"""Ranges of all checksums together, what they leave out included: a device has some tens."""


class _Written(Struct):
    """One stamp or checksum: what it is called, where it stands in the file, where and how wide it goes."""

    path: KeyPath
    name: str
    at: PatchPlace
    width: int


def value_faults(layout: Layout) -> Iterator[LayoutFault]:
    """What is wrong with stamps and checksums."""
    widths = [_width_of(checksum) for checksum in layout.checksums]
    written = _written(layout, [width or 1 for width in widths])
    yield from _names(written)
    yield from _values(layout)
    yield from _places(layout, written)
    yield from _on_top(layout, [*written[: len(layout.stamps)], *_with_width(layout, written, widths)])
    counts = list(accumulate(len(each.over) + len(each.exceptions) for each in layout.checksums))
    if counts and counts[-1] > MAX_RANGES:
        index = bisect_right(counts, MAX_RANGES)
        yield LayoutFault(
            ("checksum", index, "over"),
            "too many ranges in checksums",
            found=f"{counts[-1]:,} in over and except of all checksums",
            expected=f"at most {MAX_RANGES:,}",
            next_step="cover more with each range, or leave out fewer",
        )
        return
    for index, checksum in enumerate(layout.checksums):
        yield from _ranges(layout, index, checksum)
    yield from _work(layout)


def _work(layout: Layout) -> Iterator[LayoutFault]:
    """More bytes to go through than any device has, which would take minutes."""
    covered = sum(
        sum(_largest(layout, item) for item in checksum.over)
        * (
            1
            if isinstance(checksum.algorithm, CrcTable) or "CRC" in checksum.algorithm.upper()
            else SUM_WEIGHT
        )
        for checksum in layout.checksums
    )
    for stamp in layout.stamps:
        name = stamp.value.sha256_of if isinstance(stamp.value, StampValue) else None
        if name:
            covered += _largest(layout, name if name in layout.areas else BuildRange(build=name))
    if covered > MAX_COVERED:
        yield LayoutFault(
            ("checksum",) if layout.checksums else ("stamp",),
            "checksums and SHA-256 stamps cover more than gemel goes through",
            found=format_size(covered),
            expected=f"at most {format_size(MAX_COVERED)}, a sum counted {SUM_WEIGHT} times",
            next_step="cover fewer bytes, or correct the sizes of the areas",
        )
    flash = sum(memory.size for memory in layout.memories.values() if memory.holds_image)
    if layout.record and flash > MAX_FLASH:
        yield LayoutFault(
            ("record",),
            "more flash than the digest of a record goes through",
            found=format_size(flash),
            expected=f"at most {format_size(MAX_FLASH)}",
            next_step="correct the sizes of the memories, or take [record] out",
        )


def _largest(layout: Layout, item: Range) -> int:
    """The most bytes that a range can have."""
    if isinstance(item, BuildRange):
        build = layout.builds[item.build]
        return sum(layout.areas[name].size for name in (build.stored_in, *build.also_stored_in))
    span = span_of_range(layout, item)
    return span.size if span else 0


def overlap_faults(layout: Layout, widths: Sequence[int]) -> Iterator[LayoutFault]:
    """Values that are written on top of each other; ``widths`` are the bytes that each checksum takes.

    For who knows every algorithm; `value_faults` shows it of values whose width the layout itself states.
    """
    yield from _on_top(layout, _written(layout, widths))


def _written(layout: Layout, widths: Sequence[int]) -> list[_Written]:
    written = [
        _Written(("stamp", index), stamp.name, stamp.at, stamp.width)
        for index, stamp in enumerate(layout.stamps)
    ]
    pairs = enumerate(zip(layout.checksums, widths, strict=True))
    return written + [
        _Written(("checksum", index), each.name, each.at, width) for index, (each, width) in pairs
    ]


def _with_width(
    layout: Layout, written: Sequence[_Written], widths: Sequence[int | None]
) -> Iterator[_Written]:
    """The checksums whose width is known."""
    checksums = written[len(layout.stamps) :]
    return (each for each, width in zip(checksums, widths, strict=True) if width is not None)


def _width_of(checksum: Checksum) -> int | None:
    """Bytes that it takes; None where its algorithm's name does not begin with its width."""
    algorithm = checksum.algorithm
    if isinstance(algorithm, CrcTable):
        return -(-algorithm.width // 8)
    family, _, bits = algorithm.partition("/")[0].partition("-")
    return (
        -(-int(bits) // 8)
        if family == "CRC" and bits.isdecimal() and bits.isascii() and len(bits) <= 2
        else None
    )


def _names(written: list[_Written]) -> Iterator[LayoutFault]:
    known: set[str] = set()
    for each in written:
        if each.name in known:
            expected = "a name of its own for each stamp and checksum"
            yield LayoutFault((*each.path, "name"), "name used twice", found=each.name, expected=expected)
        if each.name == RECORD_NAME:
            yield LayoutFault(
                (*each.path, "name"), "the record's own name", found=each.name, expected="another name"
            )
        known.add(each.name)


def _values(layout: Layout) -> Iterator[LayoutFault]:
    for index, stamp in enumerate(layout.stamps):
        path: KeyPath = ("stamp", index)
        if isinstance(stamp.value, int) and stamp.value >> 8 * stamp.width:
            yield LayoutFault(
                (*path, "value"),
                "value wider than its stamp",
                found=f"0x{stamp.value:X}",
                expected=f"at most {8 * stamp.width} bits",
                next_step="correct width or value",
            )
        if isinstance(stamp.value, str) and len(stamp.value.encode()) > stamp.width:
            yield LayoutFault(
                (*path, "value"),
                "text longer than its stamp",
                found=f"{len(stamp.value.encode())} bytes",
                expected=f"at most its width of {stamp.width}",
                next_step="correct width or value",
            )
        counts = isinstance(stamp.value, StampValue) and stamp.value.size_of
        if stamp.unit > 1 and not counts:
            yield LayoutFault(
                (*path, "unit"),
                "a unit of what is no size",
                found=f"{stamp.unit} bytes",
                expected="value = { size_of = NAME }, or no unit",
                next_step="take unit out",
            )
        if isinstance(stamp.value, StampValue) and stamp.value.sha256_of and stamp.width < SHA256_SIZE:
            yield LayoutFault(
                (*path, "width"),
                "a SHA-256 does not fit",
                found=f"{stamp.width} bytes",
                expected=f"{SHA256_SIZE} bytes",
                next_step=f"width = {SHA256_SIZE}, in an area with room for it",
            )


def _places(layout: Layout, written: list[_Written]) -> Iterator[LayoutFault]:
    """Places outside flash, outside their areas, or in areas that are not free."""
    for each in written:
        span = _span_of_place(layout, each.at, each.width)
        if span is not None:
            yield from _place(layout, (*each.path, "at"), each.at, span)


def _on_top(layout: Layout, written: Sequence[_Written]) -> Iterator[LayoutFault]:
    """Places on top of each other, of those that are sound by themselves."""
    spans = [(_span_of_place(layout, each.at, each.width), each) for each in written]
    sound = (
        (span, each) for span, each in spans if span and not any(_place(layout, each.path, each.at, span))
    )
    for (span, first), (other, second) in overlapping(sound):
        yield LayoutFault(
            (*second.path, "at"),
            "two values are written to the same bytes",
            found=f"{first.name} {span}, {second.name} {other}",
            expected="separate places",
            next_step="move one of them, or correct its width",
        )


def _span_of_place(layout: Layout, place: PatchPlace, width: int) -> Span | None:
    """Where a value of ``width`` bytes goes; None where only the build shows."""
    if isinstance(place, int):
        return Span(place, width)
    if isinstance(place, AreaPlace):
        return Span(layout.span_of(place.area).start + place.offset, width)
    return None


def _place(layout: Layout, path: KeyPath, place: PatchPlace, span: Span) -> Iterator[LayoutFault]:
    found = str(span) if span.size > 1 else format_address(span.start)
    if isinstance(place, AreaPlace) and not layout.span_of(place.area).covers(span):
        yield LayoutFault(
            path,
            "place ends after its area",
            found=found,
            expected=f"inside area {place.area}, {layout.span_of(place.area)}",
            next_step="correct the offset, or the size of the area",
        )
        return
    if isinstance(place, AreaPlace) and ends_after_memory(layout, place.area):
        return
    if not any(memory.holds_image and memory.span.covers(span) for memory in layout.memories.values()):
        expected, hint = "inside one flash or rom memory", _alias_hint(layout, span.start)
        yield LayoutFault(path, "place is not in flash", found=found, expected=expected, next_step=hint)
    for area in layout.areas.values():
        if area.purpose in NOT_FREE and layout.span_of(area.name).overlaps(span):
            yield LayoutFault(
                path,
                "place is in an area that is not free",
                found=f"{found} in area {area.name}, purpose {area.purpose}",
                expected="an area of purpose code or data",
                next_step="name another area, or correct the purpose of this one",
            )


def _alias_hint(layout: Layout, address: int) -> str:
    """Says so when ``address`` is flash, but not as the primary's and the programmer's first address."""
    for observer in (None, *layout.cores):
        located = locate(layout, address, observer)
        if located and located.memory.holds_image and located.plain != address:
            plain = format_address(located.plain)
            return f"this is another address of {located.memory.name}: write {plain}"
    return ""


def _ranges(layout: Layout, index: int, checksum: Checksum) -> Iterator[LayoutFault]:
    path: KeyPath = ("checksum", index)
    if not checksum.over:
        yield LayoutFault(
            (*path, "over"), "a checksum over nothing", found="an empty list", expected="at least one range"
        )
        return
    faults: list[LayoutFault] = []
    for key, ranges in (("over", checksum.over), ("except", checksum.exceptions)):
        for position, item in enumerate(ranges):
            faults += _range(layout, (*path, key, position), item)
    yield from faults
    if not faults:
        yield from _coverage(layout, path, checksum)


def _range(layout: Layout, path: KeyPath, item: Range) -> Iterator[LayoutFault]:
    span = span_of_range(layout, item)
    if span is None:
        return
    if isinstance(item, AreaRange):
        size = layout.areas[item.area].size
        if item.offset + (item.size or 1) > size:
            yield LayoutFault(
                path,
                "range ends after its area",
                found=f"offset 0x{item.offset:X}, size {item.size or 'to the end'}",
                expected=f"inside {format_size(size)}",
                next_step="correct offset or size of the range, or the size of the area",
            )
            return
    area = item if isinstance(item, str) else item.area if isinstance(item, AreaRange) else ""
    if area and ends_after_memory(layout, area):
        return
    if not any(memory.holds_image and memory.span.covers(span) for memory in layout.memories.values()):
        yield LayoutFault(
            path,
            "range is not in flash",
            found=str(span),
            expected="inside one flash or rom memory",
            next_step=_alias_hint(layout, span.start),
        )


def span_of_range(layout: Layout, item: Range) -> Span | None:
    """The plain span of a range; None where only the build shows."""
    return None if isinstance(item, BuildRange) else stated_span(layout, item)


def _coverage(layout: Layout, path: KeyPath, checksum: Checksum) -> Iterator[LayoutFault]:
    """Exceptions that leave out nothing or all; a checksum that would have to cover itself."""
    over = [span_of_range(layout, item) for item in checksum.over]
    exceptions = [span_of_range(layout, item) for item in checksum.exceptions]
    known = [span for span in over if span]
    for position, span in enumerate(exceptions):
        if span and None not in over and not any(span.overlaps(each) for each in known):
            yield LayoutFault(
                (*path, "except", position),
                "an exception that leaves nothing out",
                found=str(span),
                expected=f"bytes of what it covers: {', '.join(str(each) for each in known[:4])}",
                next_step="take it out, or correct where it is",
            )
    if None in exceptions:
        return
    covered = without(known, [span for span in exceptions if span])
    if not covered and None not in over:
        yield LayoutFault(
            (*path, "except"), "everything is left out", found="no byte to cover", expected="fewer exceptions"
        )
    place = _span_of_place(layout, checksum.at, _width_of(checksum) or 1)
    if place and any(span.overlaps(place) for span in covered):
        yield LayoutFault(
            (*path, "at"),
            "a checksum over its own place",
            found=f"{checksum.name} is written to {format_address(place.start)}, which it covers",
            expected="a place it does not cover",
            next_step=f"add its place to except, {_exception_words(checksum)}",
        )


def _exception_words(checksum: Checksum) -> str:
    size = _width_of(checksum) or "SIZE"
    if isinstance(checksum.at, AreaPlace):
        return f'as {{ area = "{checksum.at.area}", offset = 0x{checksum.at.offset:X}, size = {size} }}'
    start = format_address(checksum.at) if isinstance(checksum.at, int) else "ADDRESS"
    return f"as {{ start = {start}, size = {size} }}"
