"""Writing what a join adds to the builds: stamps, checksums and the record, each after what it reads.

Where everything goes is looked at before anything is written.

A checksum over bytes that a stamp writes must come after it; a digest over a checksum after that.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial

from gemel.checksums.in_layout import checksum_bytes, checksum_size
from gemel.errors import GemelError, JoinRefused, LayoutError, Problem
from gemel.image.sparse import SparseBytes
from gemel.joining.merging import fill, whole_units
from gemel.joining.stamps import StampSources, spans_read, stamp_bytes
from gemel.layout.model import NOT_FREE, RECORD_NAME, Checksum, Layout, RecordPlan, Stamp, SymbolPlace
from gemel.layout.reader import ReadLayout
from gemel.placement.placed import (
    PlacedBuild,
    Version,
    digests_of,
    has_vectors,
    identities_of,
    rest_spans,
    sha256_of,
)
from gemel.placement.places import SymbolPlaces, address_of, covered_spans
from gemel.record.record import BuildEntry, Record, encode, record_size
from gemel.spans import Span, overlapping
from gemel.structs import Struct, replace


def write_values(read: ReadLayout, sources: StampSources, lookup: SymbolPlaces) -> Record | None:
    """Write stamps, checksums and the record into the image of ``sources``; the record, if one is required.

    Raises JoinRefused for symbols that have no place and values that cannot be had, LayoutError for places
    that are not free and values that need each other; with all problems of one kind at once.
    """
    layout = sources.layout
    writes, problems, faults = _planned(sources, lookup)
    record = _RecordWrite(read, sources, layout.record) if layout.record else None
    faults += [problem for write in writes for problem in _misplaced(layout, write)]
    writes += [record.write] if record else []
    try:
        ordered = in_order(writes)
    except LayoutError as error:
        faults += error.problems
        raise LayoutError([*problems, *faults]) from error
    if faults:
        raise LayoutError([*problems, *faults])
    if problems:
        raise JoinRefused(problems)
    fill(layout, sources.image, [whole_units(layout, write.place) for write in writes])
    for write in ordered:
        problems += _made(write, sources)
    if problems:
        raise JoinRefused(problems)
    return record.made if record else None


def _planned(sources: StampSources, lookup: SymbolPlaces) -> tuple[list[Write], list[Problem], list[Problem]]:
    """Every stamp and checksum as a write; what is wrong with builds' symbols, and what with the layout."""
    writes: list[Write] = []
    problems: list[Problem] = []
    faults: list[Problem] = []
    for item in sources.layout.written:
        try:
            write = (
                _stamp(item, sources, lookup) if isinstance(item, Stamp) else _checksum(item, sources, lookup)
            )
        except LayoutError as error:
            faults.extend(error.problems)
            continue
        except GemelError as error:
            problems.extend([each for each in error.problems if each not in problems])
            continue
        if isinstance(item.at, SymbolPlace):
            if too_wide := _too_wide(item.at, write, lookup):
                problems.append(too_wide)
            if lookup.is_ambiguous(item.at.build, item.at.symbol):
                write = replace(write, make=partial(_only_as_it_is, item.at, write, sources))
        writes.append(write)
    return writes, problems, faults


def _stamp(stamp: Stamp, sources: StampSources, lookup: SymbolPlaces) -> Write:
    place = Span(address_of(sources.layout, stamp.at, lookup), stamp.width)
    reads = spans_read(stamp, sources.layout, sources.placed)
    return Write(stamp.name, place, reads, partial(stamp_bytes, stamp, sources))


def _checksum(checksum: Checksum, sources: StampSources, lookup: SymbolPlaces) -> Write:
    layout, image = sources.layout, sources.image
    place = Span(address_of(layout, checksum.at, lookup), checksum_size(checksum))
    covered = covered_spans(layout, checksum, sources.placed)
    if not covered:
        expected = "fewer exceptions"
        where = f"checksum {checksum.name}"
        raise LayoutError(
            "its exceptions leave out all that it covers", where=where, found="no byte", expected=expected
        )
    return Write(checksum.name, place, covered, partial(checksum_bytes, layout, image, checksum, covered))


def _only_as_it_is(at: SymbolPlace, write: Write, sources: StampSources) -> bytes | Problem:
    """The value of a write whose place is one of several, if it is the one that is there already."""
    value = write.make()
    if isinstance(value, Problem) or value == sources.image.read(write.place, 0xFF):
        return value
    return Problem(
        f"the place of symbol {at.symbol} of build {at.build} is not known, and its value changes",
        where=write.name,
        found=f"{value.hex()}, the bytes there before were {sources.image.read(write.place, 0xFF).hex()}",
        expected="the value that is in the build already",
        next_step=f"give the build's ELF file: {at.build}=FILE.elf",
    )


def _too_wide(at: SymbolPlace, write: Write, lookup: SymbolPlaces) -> Problem | None:
    """A value that runs over the end of the symbol it is written to would spoil what is after it."""
    symbol = lookup.span_of(at.build, at.symbol)
    if not symbol.size or symbol.covers(write.place):
        return None
    return Problem(
        f"{write.name} runs over the end of its symbol",
        where=write.name,
        found=f"{write.place.size} bytes at offset {at.offset}",
        expected=f"inside {at.symbol} of build {at.build}, {symbol}, {symbol.size} bytes",
        next_step="correct width or offset, or declare the symbol as large as the value",
    )


def _misplaced(layout: Layout, write: Write) -> Iterator[Problem]:
    """Places outside flash or in areas that are not free; bytes read that are written later."""
    if not any(memory.holds_image and memory.span.covers(write.place) for memory in layout.memories.values()):
        what, found = f"{write.name} is written outside flash", str(write.place)
        yield Problem(what, where=write.name, found=found, expected="a place inside one flash or rom memory")
    for area in layout.areas.values():
        span = layout.span_of(area.name)
        if area.purpose in NOT_FREE and span.overlaps(write.place):
            what = f"{write.name} is written into an area that is not free"
            found = f"{write.place} in area {area.name}, purpose {area.purpose}"
            yield Problem(what, where=write.name, found=found, expected="an area of purpose code or data")
        if area.purpose == "seal" and any(span.overlaps(read) for read in write.reads):
            yield Problem(
                f"{write.name} covers the seal, which is written last",
                where=write.name,
                found=f"area {area.name}, {span}",
                expected="other bytes",
                next_step=f"leave area {area.name} out of what it covers",
            )


def _made(write: Write, sources: StampSources) -> Sequence[Problem]:
    """Write one value; the problems if it cannot be had."""
    try:
        value = write.make()
    except GemelError as error:
        return error.problems
    if isinstance(value, Problem):
        return [value]
    sources.image.write(write.place.start, value)
    return []


class _RecordWrite:
    """The record as a write: it reads everything but itself, the seal and reserved areas."""

    def __init__(self, read: ReadLayout, sources: StampSources, plan: RecordPlan) -> None:
        self._read, self._sources, self._plan = read, sources, plan
        self.made: Record | None = None
        placed = sources.placed
        place = Span(sources.layout.span_of(plan.area).start, record_size(len(placed)))
        self._rest = rest_spans(sources.layout, placed, place)
        reads = [*(build.stored for build in placed.values()), *self._rest]
        self.write = Write(RECORD_NAME, place, reads, self._make)

    def _make(self) -> bytes | Problem:
        version = self._sources.version
        if version is None:
            return Problem(
                "the record needs a version",
                where=RECORD_NAME,
                found="none",
                expected="X.Y.Z",
                next_step="give --version, or version in the layout",
            )
        self.made = _described(self._read, self._sources, version, self._plan, self._rest)
        return encode(self.made)


def _described(
    read: ReadLayout, sources: StampSources, version: Version, plan: RecordPlan, rest: Sequence[Span]
) -> Record:
    """The record of the image as it is in ``sources``; ``rest`` are the spans outside builds and record."""
    layout, image = sources.layout, sources.image
    vendor_id, class_id = identities_of(plan)
    return Record(
        product=layout.product,
        major=version.major,
        minor=version.minor,
        patch=version.patch,
        rollback=sources.rollback,
        layout_sha256=read.digest,
        rest_sha256=sha256_of(layout, image, list(rest)),
        builds=tuple(entry_of(layout, image, build) for build in in_order_of_record(sources.placed)),
        vendor_id=vendor_id,
        class_id=class_id,
    )


def in_order_of_record(placed: Mapping[str, PlacedBuild]) -> list[PlacedBuild]:
    """The builds by stored address: the layout's digest does not show in which order its file has them."""
    return sorted(placed.values(), key=lambda build: build.stored)


def entry_of(layout: Layout, image: SparseBytes, build: PlacedBuild) -> BuildEntry:
    """What a record says of ``build``, from the bytes now in ``image``."""
    digests = digests_of(layout, image, build.stored)
    return BuildEntry(
        name=build.name,
        core=build.core,
        role=layout.cores[build.core].role,
        stored_start=build.stored.start,
        stored_size=build.stored.size,
        run_start=build.run_start,
        vector_address=build.vector_address if has_vectors(layout, build.name) else None,
        crc32=digests.crc32,
        sha256=digests.sha256,
        build_id=build.build_id or b"",
    )


class Write(Struct):
    """One value to be written: its name, where it goes, what it reads and how its bytes are made.

    ``make`` gives ``place.size`` bytes or the problem that keeps it from doing so; it may raise GemelError.
    """

    name: str
    place: Span
    reads: Sequence[Span]
    make: Callable[[], bytes | Problem]


def in_order(writes: Sequence[Write]) -> list[Write]:
    """``writes`` so that each comes after all whose place it reads; otherwise in the given order.

    Raises LayoutError naming every pair of writes that share bytes and every circle that was met, except for
    circles among writes that share bytes, which are reported once these are apart.
    """
    sharing = [
        (first, second) for (_, first), (_, second) in overlapping((each.place, each) for each in writes)
    ]
    problems = [_shared(first, second) for first, second in sharing]
    ready, circles = _sorted(writes)
    reported = {each.name for pair in sharing for each in pair}  # of these a circle may be but the echo
    problems += [
        _circle(circle) for circle in circles if not reported.issuperset(each.name for each in circle)
    ]
    if problems:
        raise LayoutError(problems)
    return ready


def _sorted(writes: Sequence[Write]) -> tuple[list[Write], list[list[Write]]]:
    """The writes in order, and each circle as the writes along it, the first one again at its end."""
    needs = _needs(writes)
    ready: list[Write] = []
    done: set[int] = set()
    circles = []
    for first in range(len(writes)):
        trail = [first] if first not in done else []
        waiting = [iter(needs[first])]
        while trail:
            needed = next(waiting[-1], None)
            if needed is None:
                waiting.pop()
                done.add(trail[-1])
                ready.append(writes[trail.pop()])
            elif needed in trail:
                circles.append([writes[index] for index in [*trail[trail.index(needed) :], needed]])
            elif needed not in done:
                trail.append(needed)
                waiting.append(iter(needs[needed]))
    return ready, circles


def _needs(writes: Sequence[Write]) -> list[list[int]]:
    """For each write the numbers of those whose place it reads; places are taken to be apart."""
    by_address = sorted(range(len(writes)), key=lambda index: writes[index].place)
    starts = [writes[index].place.start for index in by_address]
    needs = []
    for write in writes:
        found: set[int] = set()
        for span in write.reads:
            first = max(0, bisect_right(starts, span.start) - 1)
            near = by_address[first : bisect_left(starts, span.end)]
            found.update(index for index in near if writes[index].place.overlaps(span))
        needs.append(sorted(found))
    return needs


def _circle(circle: list[Write]) -> Problem:
    names = " needs ".join(write.name for write in circle)
    if len(circle) == 2:
        what = f"{circle[0].name} covers its own place"
        hint = f"leave {circle[0].place} out of what it covers (except)"
    else:
        what = "these values depend on each other in a circle"
        hint = "leave the place of one of them out of what another one covers (except)"
    return Problem(
        what,
        where=circle[0].name,
        found=names,
        expected="an order in which each can be computed",
        next_step=hint,
    )


def _shared(first: Write, second: Write) -> Problem:
    return Problem(
        "two values are written to the same bytes",
        where=f"{first.name} and {second.name} in the layout",
        found=f"{first.name} {first.place}, {second.name} {second.place}",
        expected="separate places",
        next_step=f"give {second.name} a place of its own (at)",
    )
