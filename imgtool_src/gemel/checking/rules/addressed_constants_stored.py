"""Rule ``addressed-constants-stored``: what code takes the address of in its own flash is stored there."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_build
from gemel.checking.rule import Rule
from gemel.inspection.code.address_literals import held_in_code
from gemel.inspection.code.core_settings import follow
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, counted, lines_in_short, symbol_at
from gemel.layout.addresses import seen_by
from gemel.layout.model import BuildPlan
from gemel.m_profile.code.known_registers import Registers
from gemel.m_profile.instructions.memory_accesses import memory_access
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.placement.places import stored_parts
from gemel.placement.placing import Placement
from gemel.spans import Span, format_address, merge, without
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.elf.symbol_entries import Symbol
    from gemel.builds.mapped_code import MappedCode

ROUND = 64
"""What people put at an address of their own, in a script or as a number in code, is at a multiple of this."""

NEAR_START = 32
"""Bytes after code within which the first constant of a section is, where code takes its address."""

MAX_STRIDE = 64
"""Bytes after an object at which a loop over a member of its elements may end, and from an element to its last."""

MAX_INDEX = 1024
"""Bytes before an object at which compilers let it begin whose index starts at more than zero."""


@of_each_build("symbols")
def check(inspection: Inspection, plan: BuildPlan, _: Build) -> Iterator[Outcome]:
    """One outcome for each build with symbols and sections."""
    where, placement = f"build {plan.name}", inspection.placements[plan.name]
    holes = _holes(inspection, placement)
    if holes is None:
        yield NotChecked(where, "its segments and sections overlap in too many places")
        return
    holes = [part for each in holes for part in _blank_parts(inspection, placement, each)]
    found = {hole.span: held for hole in holes if (held := _held(inspection, placement, hole))}
    for hole, held in found.items():
        yield _finding(placement, hole, held)
    mapped = inspection.mapped_code.get(plan.name)
    unmapped = mapped.unmapped if mapped and holes else ()
    for code in unmapped:
        yield NotChecked(where, f"its code at {code} has no mapping symbols, or is below other sections")
    if not found and not unmapped:
        yield Holds(where)


class _Hole(NamedTuple):
    """Bytes after a section that are in none, and whether what comes next follows on, as what a linker packs does.

    A number in code can name a place in a hole only where the script fixes what comes next, which else would move.
    """

    span: Span
    packed: bool


def _holes(inspection: Inspection, placement: Placement) -> list[_Hole] | None:
    """Where a section of a build may have been: between two others, or after the last one.

    None where that are too many places to look at.
    """
    if placement.placed is None or placement.build.sections is None:
        return []
    parts = stored_parts(placement)
    if parts is None:
        return None
    stored, alignments = parts
    sections = [each for each in placement.build.sections.all() if each.allocated and each.span.size]
    # a section without bytes in flash, such as settings, is no hole
    if any(each.segment.run_address == each.segment.load_address for each in placement.pieces):
        stored += [each.span for each in sections]
    whole = placement.placed.stored
    end = min(whole.end + NEAR_START, inspection.layout.span_of(placement.plan.stored_in).end)
    runs = {each.start: each for each in without([whole], without([whole], stored))}
    found = []
    for span in without([Span.from_bounds(whole.start, end)], stored):
        after = runs.get(span.end)
        packed = bool(after and after.start % ROUND and after.end % ROUND)
        if after is None or span.size >= max(4, alignments.get(span.end, 1)):
            found.append(_Hole(span, packed))
    return found


def _is_blank(inspection: Inspection, hole: Span) -> bool:
    """Whether nobody stores anything there: it is erased, or one byte that a tool fills with."""
    data = inspection.bytes_of(hole)
    return data == data[:1] * len(data)


def _blank_parts(inspection: Inspection, placement: Placement, hole: _Hole) -> list[_Hole]:
    """The hole if it is blank, else what of it is in no segment: that may keep bytes of a section left out."""
    stored = [] if _is_blank(inspection, hole.span) else [each.span for each in placement.pieces]
    parts = without([hole.span], stored)
    return [_Hole(each, hole.packed) for each in parts if _is_blank(inspection, each)]


def _held(inspection: Inspection, placement: Placement, hole: _Hole) -> dict[int, int]:
    """The addresses in a hole that code holds, as its core sees them, each with a place that holds it.

    Nothing where they may be numbers in the source: of what the device writes, such as settings or a serial number.
    """
    build, core = placement.build, placement.plan.core
    seen = Span(seen_by(inspection.layout, hole.span.start, core), hole.span.size)
    held: dict[int, int] = {}
    mapped = inspection.mapped_code.get(build.name)
    for place, value in held_in_code(build, mapped, seen):
        held.setdefault(value, place)
    if not held or build.symbols is None:
        return {}
    run = inspection.start_runs.get(build.name)
    blocks = (*run.copies, *run.later) if run else ()
    copied = [Span(each.source, each.span.size) for each in blocks if each.source is not None]
    loaded = [at for at in run.read if seen.holds(at) and not any(s.holds(at) for s in copied)] if run else ()
    read = {value for value in held if any(0 <= at - value < MAX_STRIDE for at in loaded)}
    symbols = list(build.symbols.all())
    labels, ends, reached = _labels_and_reached(symbols)
    # after the last section a device or a tool may write what code reads at the label of its end
    closing = _closing(build, symbols).intersection(held) if hole.packed else ()
    labels -= {value for value in closing if mapped and _is_read(build, mapped, value)}
    known = labels | (ends - read)  # a label there is still in the file: what it is of was not left out
    starts = [each.start for each in reached]
    found: dict[int, int] = {}
    for value, at in held.items():
        # the first byte of a hole is where its section was, and by chance alone where an index would be zero
        index = bisect_right(starts, value) - 1
        if value not in known and (value == seen.start or index < 0 or not reached[index].holds(value)):
            found[value] = at
    after_code = any(each.start < seen.start for each in mapped.sections) if mapped else False
    near = after_code and any(value < seen.start + NEAR_START and value % ROUND for value in found)
    return dict(sorted(found.items())) if hole.packed or near else {}


def _closing(build: Build, symbols: list[Symbol]) -> set[int]:
    """The places of labels that are all at the end of their own section, such as ``_etext``."""
    section_ends = {each.number: each.span.end for each in build.sections.all()} if build.sections else {}
    others = {each.value for each in symbols if section_ends.get(each.section_index) != each.value}
    return {each.value for each in symbols} - others


def _is_read(build: Build, mapped: MappedCode, value: int) -> bool:
    """Whether code that holds an address loads from there, or from there on by an index."""
    found: list[int] = []

    def observe(
        at: int, first: int, second: int, known: Mapping[int, int], _: Registers, __: int | None
    ) -> None:
        access = memory_access(first, second)
        if access and access.loads and not access.offset:
            parts = (access.base,) if access.by is None else (access.base, access.by)
            found.extend(at for each in parts if known.get(each) == value)

    for place, _ in held_in_code(build, mapped, Span(value, 1)):
        if known := build.function_at(place):
            follow(build, known[0].span, observe)
    return bool(found)


def _labels_and_reached(symbols: list[Symbol]) -> tuple[set[int], set[int], list[Span]]:
    """Where symbols are, where objects end, and the places next to objects from which code reaches them, merged."""
    labels, ends, reached = {symbol.value & ~1 for symbol in symbols}, set[int](), []
    for symbol in symbols:
        if symbol.kind == "object":
            end = symbol.value + symbol.size
            ends.add(end)
            reached.append(Span.from_bounds(max(0, symbol.value - MAX_INDEX), symbol.value))
            reached.append(Span(end, MAX_STRIDE))
    return labels, ends, merge(reached)


def _finding(placement: Placement, hole: Span, held: dict[int, int]) -> Finding:
    build = placement.build
    lines = [
        f"{format_address(at)}{f' ({place})' if (place := symbol_at(build, at)) else ''} holds {format_address(target)}"
        for target, at in held.items()
    ]
    return Finding(
        f"code of build {build.name} uses what the build does not store",
        concerned(build.name, placement.plan.core, placement.plan.stored_in),
        where=f"build {build.name} ({build.file})",
        found=f"{counted(len(held), 'place')} in {hole}, where no section is and nothing is stored",
        expected="a section with the constants that the code reads there",
        span=hole,
        lines=lines_in_short(lines, "place"),
        follows_from=(("handlers-executable", build.name), ("vector-table-not-blank", build.name)),
    )


RULE = Rule(
    name="addressed-constants-stored",
    severity="error",
    guards="device",
    checks="No address that a build's code holds leads into a gap between its sections in flash, or to just after the "
    "last one, where a section was left out; gaps that a linker script makes do not count.",
    why="A section that was left out, by objcopy --remove-section or by a list of --only-section that lacks it, "
    "takes its symbols with it, and no tool warns. Code then reads erased flash: strings, tables and constants "
    "read as 0xFF.",
    remedy="Take the ELF file as the linker wrote it, or name every section with content in the command that makes the "
    "file.",
    source="GNU binutils, objcopy: --remove-section and --only-section; common practice",
    absent="the layout has no build",
    check=check,
    of_elf=True,
)
