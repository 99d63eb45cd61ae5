"""Rule ``flash-words-programmed``: what will be read as a whole is programmed without holes."""

from __future__ import annotations

import re
import struct
from bisect import bisect_left
from collections.abc import Iterator, Sequence

from gemel.checking.rule import Rule
from gemel.inspection.code.address_literals import constants_of
from gemel.inspection.cores.views import runs_from
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.inspection.wording import concerned, counted, lines_in_short, place_words, sized
from gemel.layout.addresses import locate
from gemel.layout.model import BuildPlan, BuildRange
from gemel.m_profile.architectures import MAX_INTERRUPTS
from gemel.m_profile.vector_tables import FIRST_INTERRUPT
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.placement.places import covered_spans
from gemel.spans import Span, align_down, align_up, format_address, format_size, merge, without

BLANK = re.compile(rb"\0{32,}|\xff{32,}")
"""What tools fill with where a section was left out: more than most programs have in a row by themselves."""

MIN_CONSTANTS, NEAR_START = 3, 32
"""Addresses in such a place, or after the build, that code has at least, and bytes before the first of them.

A block of zeros has one or two, its start and its end; settings that a device writes are in a block of their own.
"""

LOADED = 256
"""Bytes after the last one that are looked at: what is loaded is right after the function that does it."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build and for each checksum."""
    layout, placed = inspection.layout, inspection.placed
    for name, plan in layout.builds.items():
        spans = [placed[name].stored, *_elsewhere(inspection, name)] if name in placed else []
        found: list[Outcome] = list(_lost_records(inspection, plan))
        if not found:
            outcome = _outcome(inspection, f"build {name}", (name, plan.stored_in), spans, [name])
            found = [outcome]
            if not isinstance(outcome, Finding):
                found = [*_cut_code(inspection, plan)] or [*_left_out(inspection, plan)] or found
        yield from found
    for checksum in layout.checksums:
        items = (*checksum.over, *checksum.exceptions)
        builds = [item.build for item in items if isinstance(item, BuildRange)]
        spans = covered_spans(layout, checksum, placed) if placed.keys() >= set(builds) else []
        areas = [name for name in layout.areas if any(layout.span_of(name).overlaps(span) for span in spans)]
        yield _outcome(inspection, f"checksum {checksum.name}", (checksum.name, *areas), spans, builds)


def _lost_records(inspection: Inspection, plan: BuildPlan) -> Iterator[Finding]:
    """The gaps in a build's HEX or S-record file that nothing explains, or that its code runs into."""
    build, table = inspection.builds.get(plan.name), inspection.vector_table(plan.name)
    written = inspection.patches.known.values()
    gaps = [
        each
        for each in (build.gaps if build else ())
        if not any(each.span.overlaps(place) for place in written)
    ]
    explained = [
        each.span
        for each in gaps
        if each.may_be_meant or (table and _is_beside_handlers(inspection, table, each.span))
    ]
    run_into = []
    if table and explained:
        from gemel.inspection.cores.implausible_handlers import where_code_goes_on

        run_into = where_code_goes_on(inspection, table, explained)
    for gap in gaps:
        if gap.span not in explained or gap.span in run_into:
            lost = counted(gap.records, "record") if gap.records > 1 else "a record"
            yield Finding(
                f"the file of build {plan.name} lacks {lost}",
                concerned(plan.name, plan.core, plan.stored_in),
                where=f"build {plan.name} ({build.file if build else ''}), after line {gap.line}",
                found=f"nothing for {sized(gap.span)}, "
                + ("which code goes on into" if gap.records > 1 else "as many bytes as a record has"),
                expected="records without a gap between them, or one that an alignment makes",
                span=gap.span,
                next_step="make the file again, or compare it with the ELF file that it was made of",
                follows_from=tuple(
                    (rule, plan.name) for rule in (*_OF_ERASED_WORDS, "vector-table-complete")
                ),
            )


def _cut_code(inspection: Inspection, plan: BuildPlan) -> Iterator[Finding]:
    """That code of a build without symbols goes on after its last byte, or loads from there.

    A record vouches for all bytes of an image alone.
    """
    build, table = inspection.builds.get(plan.name), inspection.vector_table(plan.name)
    if table is None or (inspection.record and build is None) or (build and build.symbols):
        return
    area = inspection.layout.span_of(plan.stored_in)
    given = inspection.placements.get(plan.name)
    spans = [piece.span for piece in given.pieces] if given else inspection.image.held_in(area)
    last = max(each.last for each in spans if each.overlaps(area))
    gap = Span.from_bounds(last + 1, max(last + 1, min(last + 1 + LOADED, area.end)))
    from gemel.inspection.cores.implausible_handlers import where_code_goes_on

    if gap.size and where_code_goes_on(inspection, table, [gap]):
        file = build.file if build else "the image"
        yield Finding(
            f"build {plan.name} ends in its code",
            concerned(plan.name, plan.core, plan.stored_in),
            where=f"build {plan.name} ({file}), last byte at {format_address(last)}",
            found="code that goes on after it, or loads constants from there",
            expected="all of the code, with the constants that it loads",
            span=gap,
            next_step="make the file again: it may be cut",
            follows_from=tuple((rule, plan.name) for rule in (*_OF_ERASED_WORDS, *_OF_MISSING_BYTES)),
        )


def _left_out(inspection: Inspection, plan: BuildPlan) -> Iterator[Finding]:
    """Where a build without symbols has nothing, or one filling byte, and its code several addresses of constants.

    Of one that runs in RAM, variables may be there.
    """
    build, table = inspection.builds.get(plan.name), inspection.vector_table(plan.name)
    if table is None or build is None or build.symbols or plan.runs_in:
        return
    stored, start = table.placed.stored, table.placed.run_start
    data = inspection.bytes_of(stored)
    held = sorted(set(constants_of(data, start)))
    after = Span(stored.end, LOADED).intersection(inspection.layout.span_of(plan.stored_in))
    written = [*inspection.patches.known.values(), *inspection.image.held_in(after)]
    blanks = [Span(stored.start + each.start(), each.end() - each.start()) for each in BLANK.finditer(data)]
    if build.kind != "bin":  # what its records hold is content, zeros too
        given = [piece.span for piece in inspection.placements[plan.name].pieces]
        blanks = [rest for each in blanks for rest in without([each], given)]
    for blank in [*blanks, *without([after], written)[:1]]:
        seen = blank.moved(start - stored.start)
        places = held[bisect_left(held, seen.start) : bisect_left(held, seen.end)]
        if len(places) >= MIN_CONSTANTS and places[0] < seen.start + NEAR_START:
            yield Finding(
                f"code of build {plan.name} reads constants where its file has none",
                concerned(plan.name, plan.core, plan.stored_in),
                where=f"build {plan.name} ({build.file}), {seen}",
                found=f"addresses of {len(places)} places there, where the file has nothing, or one byte over and over",
                expected="the constants that were linked there",
                span=blank,
                next_step="make the file again with all sections that have content (objcopy without --remove-section); "
                "it may be cut, too",
                follows_from=tuple((rule, plan.name) for rule in (*_OF_ERASED_WORDS, *_OF_MISSING_BYTES)),
            )


def _is_beside_handlers(inspection: Inspection, table: VectorTable, gap: Span) -> bool:
    """Whether all between the vector table's start and ``gap`` are vectors: its words may be free or reserved.

    Those that the core may take are vector-table-complete's.
    """
    before = gap.start - table.span.start
    if not 0 < before <= 4 * (FIRST_INTERRUPT + MAX_INTERRUPTS):
        return False
    later = inspection.bytes_of(Span(table.span.end, max(0, before - table.span.size) & ~3))
    words = struct.unpack(f"<{len(later) // 4}I", later)
    return all(not word or (word & 1 and runs_from(inspection, table.placed, word)) for word in words)


def _elsewhere(inspection: Inspection, name: str) -> list[Span]:
    """Where a given build has bytes in further areas of its own."""
    placement = inspection.placements.get(name)
    spans = [inspection.layout.span_of(area) for area in inspection.layout.builds[name].also_stored_in]
    pieces = placement.pieces if placement else ()
    return [piece.span.intersection(span) for piece in pieces for span in spans if piece.span.overlaps(span)]


def _outcome(
    inspection: Inspection, where: str, parties: tuple[str, ...], spans: list[Span], builds: Sequence[str]
) -> Outcome:
    """What there is to say of ``spans``, which depend on where ``builds`` are."""
    for name in builds:
        if name not in inspection.placed:
            return NotChecked(where, f"nothing of build {name} was found in the image")
    unsure = next((name for name in builds if inspection.placed_with_origin[name][1] == "layout"), "")
    holes = [hole for span in merge(spans) for hole in _unprogrammed(inspection, span)]
    if unsure and holes:
        holes = _inside_of_builds(inspection, holes)
    if holes:
        return _finding(inspection, where, parties, spans, holes)
    if unsure:
        return NotChecked(
            where, f"where build {unsure} ends: needs {unsure}=FILE, or an image with a sound record"
        )
    return Holds(where)


def _inside_of_builds(inspection: Inspection, holes: list[Span]) -> list[Span]:
    """The holes that do not begin or end at what the join writes or fills: a build may end before those."""
    layout, placed = inspection.layout, inspection.placed
    made = list(inspection.patches.known.values())
    for checksum in layout.checksums:
        items = (*checksum.over, *checksum.exceptions)
        if not any(isinstance(item, BuildRange) for item in items):
            made += covered_spans(layout, checksum, placed)
    located = locate(layout, holes[0].start)
    within = range(located.memory.write_unit if located else 1)
    return [
        hole
        for hole in holes
        if not any(each.start - hole.end in within or hole.start - each.end in within for each in made)
    ]


def _unprogrammed(inspection: Inspection, span: Span) -> Iterator[Span]:
    """Whole write units inside ``span`` of which the image holds no byte, merge."""
    located = locate(inspection.layout, span.start)
    unit = located.memory.write_unit if located else 1
    around = Span.from_bounds(align_down(span.start, unit), align_up(span.end, unit))
    for gap in without([around], inspection.image.held_in(around)):
        hole = Span.from_bounds(align_up(gap.start, unit), align_down(gap.end, unit)).intersection(span)
        if hole.size:
            yield hole


def _finding(
    inspection: Inspection, where: str, parties: tuple[str, ...], spans: list[Span], holes: list[Span]
) -> Finding:
    from gemel.inspection.altered.changed_bytes import causes_in, cut_causes

    located = locate(inspection.layout, holes[0].start)
    unit = format_size(located.memory.write_unit) if located else "1 byte"
    size = format_size(sum(hole.size for hole in holes))
    return Finding(
        f"{where} covers flash that the image leaves unprogrammed",
        (*parties, located.memory.name) if located else parties,
        where=f"{where}, {', '.join(map(str, spans[:3]))}{', ...' if spans[3:] else ''}",
        found=f"{size} not held, in {counted(len(holes), 'hole')}, the first at {place_words(holes[0])}",
        expected=f"every write unit ({unit}) written, with the erased byte if nothing else",
        span=holes[0],
        lines=lines_in_short([f"hole {sized(hole)}" for hole in holes[1:]], "hole"),
        follows_from=(
            *((rule, name) for rule in _OF_ERASED_WORDS for name in parties[:1]),
            *causes_in(inspection, holes),
            *cut_causes(inspection, holes[0]),
        ),
    )


_OF_MISSING_BYTES = ("vector-table-complete", "start-copies-stored-data", "handlers-at-function-starts")
"""Rules that say the same of words that code has need of."""

_OF_ERASED_WORDS = ("vector-table-not-blank", "handlers-in-code", "reset-handler-in-code")
"""Rules that say what is not there, if something has need of it."""


RULE = Rule(
    name="flash-words-programmed",
    severity="warning",
    guards="device",
    checks="In each build as stored and in each range of a checksum, the image holds bytes of every write "
    "unit; the HEX or S-record file of a build has no gap of one record, or of several that code goes on into, that "
    "neither an alignment, a stamp nor free words of a vector table explain; code of a build whose symbols are not "
    "given loads nothing from after the build's last byte, and has no addresses of constants there or in bytes that "
    "only fill.",
    why="Flash with error correction has no valid correction bits in an erased word: reading one can raise a "
    "bus fault, in the start-up code's checksum loop or in a prefetch after the last instruction, so the "
    "device never starts although every byte compares equal. A warning, since the layout does not say "
    "whether the flash has error correction, and flash without it reads such words as erased.",
    remedy="Join with gemel, which writes the erased byte there; or have the tool that made the image fill "
    "the range.",
    source="common practice",
    absent="the layout has no build and no checksum",
    check=check,
)
