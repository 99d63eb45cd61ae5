"""The passes of a join, in order, and what holds after each.

    place      every byte of every build lies in its own area; no build touches another
    fill       builds and checksummed ranges have no holes; their ends are whole write units
    stamp      every stamp and checksum holds its value, each computed after what it reads
    record     the record describes exactly these bytes

The seal comes last, over the record; what is written to files is checked before that (``check``).
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass

from gemel.builds.build import Build
from gemel.errors import GemelError, JoinRefused, Problem, UsageProblem
from gemel.image.sparse import SparseBytes
from gemel.integrity.checksums import checksum_bytes, checksum_size
from gemel.integrity.placed import PlacedBuild, Version, blocks_of, identities_of, rest_spans, sha256_of
from gemel.integrity.places import address_of, covered_spans
from gemel.integrity.record import BuildEntry, Record, encode, record_size
from gemel.integrity.stamps import StampSources, spans_read, stamp_bytes
from gemel.integrity.writes import Write, in_order
from gemel.join.placement import Placement, place_all
from gemel.join.symbol_places import SymbolPlaces
from gemel.join.together import put_together
from gemel.layout.model import Checksum, Layout, RecordPlan, Stamp
from gemel.layout.reader import ReadLayout
from gemel.spans import Span, align_up, without


@dataclass(frozen=True, slots=True)
class Joined:
    """The result of a join: the image, where each build lies in it, and the record, if one is due."""

    image: SparseBytes
    placements: Mapping[str, Placement]
    placed: Mapping[str, PlacedBuild]
    record: Record | None
    entry: int | None


def join(
    read: ReadLayout, builds: Mapping[str, Build], version: Version | None = None, rollback: int | None = None
) -> Joined:
    """One image from ``builds`` (by name, every build of the layout) as ``read`` says.

    ``version`` and ``rollback`` stand in for the layout's.  Raises JoinRefused with everything that
    keeps the builds apart, LayoutError for values that need each other, UsageProblem for builds missing.
    """
    layout = read.layout
    _refuse_wrong_names(layout, builds)
    version = version or (Version.of(layout.version) if layout.version else None)
    rollback = layout.rollback if rollback is None else rollback

    placements = place_all(layout, builds)
    image, problems = put_together(layout, placements)
    problems = [problem for each in placements.values() for problem in each.problems] + problems
    if problems:
        raise JoinRefused(problems)
    placed = {name: each.placed for name, each in placements.items() if each.placed}

    _fill(layout, image, placements, placed)
    sources = StampSources(layout, image, placed, version, rollback)
    record = _write_values(read, sources, SymbolPlaces(placements))
    return Joined(image, placements, placed, record, _entry(layout, builds))


def _refuse_wrong_names(layout: Layout, builds: Mapping[str, Build]) -> None:
    problems = []
    for name in layout.builds:
        if name not in builds:
            hint = f"give it as {name}=FILE, or add path to [build.{name}]"
            problems.append(Problem(f"build {name} is missing", f"build {name}", "no file", "a file", hint))
    if problems:
        raise UsageProblem(problems)


def _fill(
    layout: Layout,
    image: SparseBytes,
    placements: Mapping[str, Placement],
    placed: Mapping[str, PlacedBuild],
) -> None:
    """Write the erased byte wherever a build or a checksummed range has none, so that flash is programmed."""
    spans = [build.stored for build in placed.values()]
    for checksum in layout.checksums:
        spans.extend(covered_spans(layout, checksum, placed))
    for span in spans:
        for hole in without([span], image.held_in(span)):
            address = hole.start
            for block in blocks_of(layout, image, hole):
                image.write(address, block)
                address += len(block)


def _write_values(read: ReadLayout, sources: StampSources, lookup: SymbolPlaces) -> Record | None:
    """Write stamps, checksums and the record, each after what it reads; all problems at once."""
    problems: list[Problem] = []
    writes: list[Write] = []
    items: list[Stamp | Checksum] = [*sources.layout.stamps, *sources.layout.checksums]
    for item in items:
        try:
            writes.append(_write_of(item, sources, lookup))
        except GemelError as error:
            problems.extend(error.problems)
    made: list[Record] = []
    if sources.layout.record:
        writes.append(_record_write(read, sources, sources.layout.record, made))
    if problems:
        raise JoinRefused(problems)
    for write in in_order(writes):
        problems.extend(_write(write, sources))
    if problems:
        raise JoinRefused(problems)
    return made[-1] if made else None


def _write_of(item: Stamp | Checksum, sources: StampSources, lookup: SymbolPlaces) -> Write:
    layout, placed = sources.layout, sources.placed
    start = address_of(layout, item.at, lookup)
    if isinstance(item, Stamp):
        stamp = item
        place = Span(start, stamp.width)
        return Write(
            stamp.name, place, spans_read(stamp, layout, placed), lambda: stamp_bytes(stamp, sources)
        )
    checksum = item
    covered = covered_spans(layout, checksum, placed)
    place = Span(start, checksum_size(checksum))
    return Write(
        checksum.name, place, covered, lambda: checksum_bytes(layout, sources.image, checksum, covered)
    )


def _write(write: Write, sources: StampSources) -> list[Problem]:
    layout = sources.layout
    home = next((memory for memory in layout.memories.values() if memory.span.covers(write.place)), None)
    if home is None or not home.holds_image:
        found = str(write.place)
        return [Problem(f"{write.name} is written outside flash", write.name, found, "a place in flash")]
    value = write.make()
    if isinstance(value, Problem):
        return [value]
    sources.image.write(write.place.start, value)
    for area in layout.areas.values():
        if area.purpose in ("record", "reserved", "seal") and write.name != "record":
            span = layout.span_of(area.name)
            if span.overlaps(write.place):
                found = f"{write.place} in area {area.name}, purpose {area.purpose}"
                return [Problem(f"{write.name} is written into an area that is not free", write.name, found)]
    return []


def _record_write(read: ReadLayout, sources: StampSources, plan: RecordPlan, made: list[Record]) -> Write:
    """The record as a write: it reads everything but itself, the seal and reserved areas."""
    layout, placed = sources.layout, sources.placed
    area = layout.span_of(plan.area)
    place = Span(area.start, record_size(len(placed)))
    rest = rest_spans(layout, placed, place)

    def make() -> bytes | Problem:
        if place.size > area.size:
            return Problem(
                "the record does not fit its area", plan.area, f"{area.size}", f"{place.size} bytes"
            )
        if sources.version is None:
            hint = "give --version X.Y.Z, or version in the layout"
            return Problem("the record needs a version", "record", "none", "X.Y.Z", hint)
        record = describe(read, sources, plan, rest)
        data = encode(record)
        made.append(record)
        unit = layout.memory_of(plan.area).write_unit
        erased = layout.memory_of(plan.area).erased_byte
        padded = min(align_up(place.size, unit), area.size)
        return data.ljust(padded, bytes((erased,)))

    return Write("record", place, [build.stored for build in placed.values()] + rest, make)


def describe(read: ReadLayout, sources: StampSources, plan: RecordPlan, rest: list[Span]) -> Record:
    """The record of the image as it is in ``sources``; ``rest`` are the spans outside builds and record."""
    layout, image = sources.layout, sources.image
    version = sources.version or Version(0, 0, 0)
    vendor_id, class_id = identities_of(plan)
    entries = [entry_of(layout, image, build) for build in sources.placed.values()]
    return Record(
        product=layout.product,
        major=version.major,
        minor=version.minor,
        patch=version.patch,
        rollback=sources.rollback,
        layout_sha256=read.digest,
        rest_sha256=sha256_of(layout, image, rest),
        builds=tuple(entries),
        vendor_id=vendor_id,
        class_id=class_id,
    )


def entry_of(layout: Layout, image: SparseBytes, build: PlacedBuild) -> BuildEntry:
    """What a record says of ``build``, from the bytes now in ``image``."""
    crc = 0
    for block in blocks_of(layout, image, build.stored):
        crc = zlib.crc32(block, crc)
    return BuildEntry(
        name=build.name,
        core=build.core,
        role=layout.cores[build.core].role,
        stored_start=build.stored.start,
        stored_size=build.stored.size,
        run_start=build.run_start,
        vector_address=build.vector_address,
        crc32=crc,
        sha256=sha256_of(layout, image, [build.stored]),
        build_id=build.build_id or b"",
    )


def _entry(layout: Layout, builds: Mapping[str, Build]) -> int | None:
    """The entry point of the build that the primary starts with."""
    first = layout.builds_of(layout.primary().name)
    return builds[first[0].name].entry if first else None
