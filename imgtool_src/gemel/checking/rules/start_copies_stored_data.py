"""Rule ``start-copies-stored-data``: start-up code copies what the image stores, from there and no more."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain, product
from typing import TYPE_CHECKING

from gemel.checking.findings.start_blocks import block_outcomes, block_place
from gemel.checking.findings.start_reach import copied_build_at, not_stored, written_lines
from gemel.checking.rule import Rule
from gemel.inspection.cores.views import whereabouts
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.unstored import sections_outside
from gemel.inspection.ram.windows import parts_of, windows_of
from gemel.inspection.start_up.started import MIN_BLOCK, plain_at_reset
from gemel.inspection.start_up.tables import StartEntry
from gemel.inspection.wording import concerned, segment_words, sized
from gemel.layout.addresses import locate
from gemel.outcomes import Finding, Outcome, Reason
from gemel.placement.placing import Placement
from gemel.spans import Span, align_up, format_address, format_size, merge
from gemel.structs import replace

if TYPE_CHECKING:
    from gemel.placement.placed import PlacedBuild


ANSWERS = 0, 0xFFFF_FFFF
"""What devices may answer, where code waits for bits."""

MAX_PIECE = 32
"""Bytes that one instruction of start-up code copies at most: eight registers (common practice)."""

ALIGNMENT = 8
"""Bytes of the usual largest alignment of data: cleared data comes right after initialised data, this after code."""

USUAL_BLOCK = 1024
"""Bytes of a small erase block, where the layout does not say what is erased at once (common practice)."""

_WHOLE = (
    "make the file again with all sections that have content: objcopy without --remove-section and --only-section; "
    "it may be cut, too"
)


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build whose symbols show what its start-up code copies."""
    yield from block_outcomes(inspection, _findings, "copies")
    for name, run in inspection.start_runs.items():
        placement = inspection.placements[name]
        for source, span in run.copies if run else ():
            blocks = inspection.start_blocks.get(name)
            named = (entry.span for entry in (blocks.copies if blocks else ()))
            stored = (each.stored_run for each in placement.build.stored)
            is_block = span.size >= MIN_BLOCK or _is_at_an_end(placement, source or 0)
            if is_block and not any(each.overlaps(span) for each in chain(named, stored)):
                yield from _erased(inspection, placement, Span(source or 0, span.size), span)
        yield from (_overrun(placement, each) for each in (run.overrun if run else ()))
        if run and any(plan.runs_in for plan in inspection.layout.builds.values()):
            from gemel.checking.findings.brought_builds import brought_wrong

            yield from brought_wrong(inspection, placement, run)
    for placement in inspection.placements.values():
        if placement.build.symbols is None and placement.placed:
            yield from _after_its_end(inspection, placement, placement.placed)


def _is_at_an_end(placement: Placement, address: int) -> bool:
    """Whether an address is where a piece of the build ends, but for alignment."""
    ends = (each.segment.stored_run.end for each in placement.pieces)
    return any(0 <= address - end < ALIGNMENT for end in ends)


def _erased(inspection: Inspection, placement: Placement, source: Span, copied: Span) -> Iterator[Finding]:
    """What the run of start-up code copies from free flash of the build's own area, in no section of the build."""
    plan, build = placement.plan, placement.build
    plain = plain_at_reset(inspection.layout, placement, source.start)
    area = inspection.layout.span_of(plan.stored_in)
    stored = Span(plain or 0, source.size)
    sections = build.all_sections
    if plain is None or not area.covers(stored):
        return
    if any(byte != inspection.erased_byte_at(plain) for byte in inspection.bytes_of(stored)):
        return
    if any(each.allocated and each.span.overlaps(source) for each in sections):
        return
    yield Finding(
        f"start-up code of build {plan.name} copies data that the image does not store",
        concerned(*_parties(placement), plan.stored_in),
        where=f"build {plan.name} ({build.file}), its start-up code as it runs",
        found=f"from {sized(source)}, where nothing is stored, to {copied}",
        expected="initialised data where start-up code copies it from",
        span=stored,
        next_step="take the ELF file as the linker wrote it, with the section that start-up code copies",
    )


def _after_its_end(inspection: Inspection, placement: Placement, placed: PlacedBuild) -> Iterator[Finding]:
    """What code of a build without symbols copies from after the end of a piece of it, where nothing is stored.

    That is in the erase block of the end: what a program keeps in flash itself is in others.  Of a block that begins
    in the build, the end may be rounded up to what one instruction copies, or by alignment.
    """
    from gemel.inspection.cores.code_settings import answered_run

    located = locate(inspection.layout, placed.stored.start)
    block = (located.memory.erase_block if located else None) or USUAL_BLOCK
    pieces = [piece.span for piece in placement.pieces if placed.stored.covers(piece.span)]
    ends = [each.end for each in merge(pieces)] or [placed.stored.end]
    for answer in ANSWERS:
        run = answered_run(inspection, placement.plan.name, answer)
        for (source, span), stored_end in product(run.copies if run else (), ends):
            first, last = source or 0, (source or 0) + span.size
            end = placed.run_start + stored_end - placed.stored.start
            near = max(4, align_up(stored_end, block) - stored_end)
            # Cleared data right after it shows that a block ends there, unless an alignment may have moved both.
            cleared_next = any(0 <= each.start - span.end < ALIGNMENT for each in (run.always if run else ()))
            sure = cleared_next and last - end >= span.end & -span.end
            is_block = span.size >= MIN_BLOCK or (cleared_next and first - end < ALIGNMENT)
            if (end <= first < end + near and is_block) or first < end < last - (0 if sure else MAX_PIECE):
                rest = Span.from_bounds(max(first, end), last)
                found = [
                    replace(each, next_step=_WHOLE) for each in _erased(inspection, placement, rest, span)
                ]
                yield from found
                if found:
                    return


def _overrun(placement: Placement, over: Span) -> Finding:
    """A loop that goes on after its data, once what comes next is cleared."""
    plan, build = placement.plan, placement.build
    return Finding(
        f"start-up code of build {plan.name} copies more than its data, over what it has cleared",
        _parties(placement),
        where=f"build {plan.name} ({build.file}), its start-up code as it runs",
        found=f"copies on to {sized(over)}, which are not zero then",
        expected=f"an end at {format_address(over.start)}, where the data ends",
        lines=written_lines(placement, over),
        next_step="end the loop before the symbol of the end (< and not <=), and clear after the copy",
    )


def _findings(inspection: Inspection, placement: Placement, entry: StartEntry) -> Iterator[Finding]:
    met: list[Span] = []
    wrong: list[tuple[Span, Finding]] = []
    for piece in placement.pieces:
        segment = piece.segment
        shared = segment.stored_run.intersection(entry.span)
        if not shared.size:
            continue
        stored = piece.address + shared.start - segment.run_address
        source = (entry.source or 0) + shared.start - entry.start
        if plain_at_reset(inspection.layout, placement, source) == stored:
            met.append(shared)
        else:
            owner = segment_words(placement.build, segment)
            place = Span(source, shared.size)
            wrong.append((shared, _elsewhere(inspection, placement, entry, owner, place, stored)))
    # Of overlays at one place, each is copied from its own.
    yield from (finding for shared, finding in wrong if not any(each.overlaps(shared) for each in met))
    if not (met or wrong):
        yield from _of_another_build(inspection, placement, entry)
    else:
        # What is between two stored pieces may be left there on purpose; only the end is sure.
        for rest in not_stored(placement, entry):
            if rest.end == entry.end:
                yield _more_than_stored(inspection, placement, entry, rest)


def _of_another_build(inspection: Inspection, placement: Placement, entry: StartEntry) -> Iterator[Finding]:
    """A build that the primary brings to RAM, or nothing that anybody stores."""
    brought = copied_build_at(inspection, placement, entry)
    if brought is None:
        yield _nothing_stored(inspection, placement, entry)
    elif plain_at_reset(inspection.layout, placement, entry.source or 0) != brought.stored:
        source = Span(entry.source or 0, entry.span.size)
        yield _elsewhere(inspection, placement, entry, f"build {brought.build}", source, brought.stored)


def _parties(placement: Placement) -> tuple[str, ...]:
    return concerned(placement.plan.name, placement.plan.core)


def _elsewhere(
    inspection: Inspection, placement: Placement, entry: StartEntry, owner: str, source: Span, stored: int
) -> Finding:
    plan = placement.plan
    plain = plain_at_reset(inspection.layout, placement, source.start)
    there = "RAM, which holds nothing of it yet" if plain is None else "flash, but of other bytes"
    lines: tuple[str, ...] = (f"it belongs to {owner}",)
    if source.start == entry.start:
        lines = (*lines, "source and destination are the same: the address it runs at, not the one stored at")
    exchanged = _exchanged_with(inspection, placement, entry, Span(stored, source.size))
    if exchanged:
        lines = (*lines, f"the sources of this block and of that of the {exchanged.named_by} are exchanged")
    build = placement.build
    outside = any(next(sections_outside(build, each), None) for each in build.segments)
    return Finding(
        f"start-up code of build {plan.name} copies its data from where it is not stored",
        concerned(*_parties(placement), plan.stored_in),
        where=block_place(placement, entry),
        found=f"from {sized(source)}, in {there}",
        expected=f"from {Span(stored, source.size)}, where the image has it",
        span=Span(stored, source.size),
        next_step="take the source from the load address of the section (LOADADDR in the linker script)",
        lines=lines,
        follows_from=(
            ("code-runs-where-stored", plan.name),
            *(
                (("reset-handler-in-code", plan.name),)
                if plain is None or source.start == entry.start
                else ()
            ),
            *(((RULE.name, block_place(placement, exchanged)),) if exchanged else ()),
            *((("start-clears-own-ram", plan.name),) if outside else ()),
        ),
    )


def _exchanged_with(
    inspection: Inspection, placement: Placement, entry: StartEntry, stored: Span
) -> StartEntry | None:
    """The other block that is copied from where this one is stored, if this one is copied from where that is."""
    read = inspection.start_blocks[placement.plan.name].copies
    plain = {each: plain_at_reset(inspection.layout, placement, each.source or 0) for each in read}
    for each in read:
        first = plain[each]
        if each.span.overlaps(entry.span) or first is None or not stored.holds(first):
            continue
        for piece in placement.pieces:
            at = piece.address + each.start - piece.segment.run_address
            if piece.segment.run_span.holds(each.start) and at == plain.get(entry):
                return each
    return None


def _nothing_stored(inspection: Inspection, placement: Placement, entry: StartEntry) -> Finding:
    exchanged = any(
        segment.run_address == entry.source and segment.load_span.holds(entry.start)
        for segment in placement.build.stored
    )
    empty = (
        each.name
        for each in placement.build.all_sections
        if each.allocated and not each.stored and each.span.overlaps(entry.span)
    )
    unstored = next(empty, "")
    return Finding(
        f"start-up code of build {placement.plan.name} copies to where it has no initialised data",
        _parties(placement),
        where=block_place(placement, entry),
        found=f"to {sized(entry.span)}, {whereabouts(inspection, placement.plan.core, entry.start)}"
        + (f"; section {unstored} there stores nothing" if unstored else ""),
        expected="run addresses of bytes that the build stores",
        next_step="exchange source and destination: it copies from the run address to the load address"
        if exchanged
        else f"take (NOLOAD) from section {unstored} in the linker script"
        if unstored
        else "",
    )


def _more_than_stored(inspection: Inspection, placement: Placement, entry: StartEntry, rest: Span) -> Finding:
    layout, plan = inspection.layout, placement.plan
    source = rest.moved((entry.source or 0) - entry.start)
    read = [part.plain for part in parts_of(source, windows_of(layout, plan.core))]
    areas = [name for name in layout.areas if any(layout.span_of(name).overlaps(each) for each in read)]
    place = f"in area {', area '.join(areas)}" if areas else "in no area"
    return Finding(
        f"start-up code of build {plan.name} copies more than the image stores for it",
        _parties(placement),
        where=block_place(placement, entry),
        found=f"{format_size(rest.size)} after the stored ones, to {rest}, from {source}, {place}",
        expected=f"an end of {format_address(rest.start)}, where the stored bytes end",
        next_step="end the block where its section ends, and count the size in the unit of the table",
        lines=written_lines(placement, rest),
    )


RULE = Rule(
    name="start-copies-stored-data",
    severity="error",
    guards="device",
    checks="Each block of initialised data that start-up code copies to RAM, by the build's copy table or "
    "the usual symbols at its ends, is copied from the place at which the image stores those bytes, "
    "and ends where these end; code of a build without symbols copies nothing from after the build's last byte; what "
    "code copies to where a build of another core runs is that build, from its start to its end.",
    why="Start-up code copies whatever is at the source. From a wrong one, variables and code in RAM "
    "start as other code or erased flash: constants are off, pointers lead anywhere, and the build fails "
    "long before or long after the place that is to blame. A block that is too long overwrites what is "
    "after it in RAM.",
    remedy="Take source, start and end of each block from its section in the linker script: LOADADDR, ADDR "
    "and SIZEOF of the same section.",
    source="System V gABI, chapter 7, program header, p_vaddr and p_paddr; common practice (tables and "
    "symbols of start-up code, from memory)",
    absent=Reason("no build has symbols that show what its start-up code copies"),
    check=check,
    of_elf=True,
)
