"""Rule ``addressed-constants-stored``: what code takes the address of in its own flash is stored there."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.checking.rule import Rule
from gemel.inspection.code.address_literals import held_addresses
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, counted, lines_in_short, needs_elf, symbol_at
from gemel.layout.addresses import locate, seen_by
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.placement.placing import Placement
from gemel.spans import Span, align_down, format_address, without

if TYPE_CHECKING:
    from gemel.builds.elf.symbol_entries import Symbol

LEAST_HOLE = 16
"""Bytes between two sections that may be one of their own: fewer are alignment."""

MAX_STRIDE = 64
"""Bytes before an object at which a loop over its elements may start, one element early (as compilers write it)."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build with symbols and sections."""
    for name, plan in inspection.layout.builds.items():
        placement = inspection.placements.get(name)
        reason = needs_elf(name, placement.build if placement else None, "symbols")
        if placement is None or reason:
            yield NotChecked(f"build {name}", reason)
            continue
        holes = [each for each in _holes(placement) if _is_blank(inspection, each)]
        found = {hole: held for hole in holes if (held := _held(inspection, placement, hole))}
        for hole, held in found.items():
            yield _finding(inspection, placement, hole, held)
        if not found:
            yield Holds(f"build {plan.name}")


def _holes(placement: Placement) -> list[Span]:
    """What is between the first and the last stored byte of a build in its area, and in none of its sections."""
    if placement.placed is None or placement.build.sections is None:
        return []
    sections = [each.span for each in placement.build.sections.all() if each.allocated]
    stored: list[Span] = []
    for piece in placement.pieces:
        segment = piece.segment
        parts = [
            common
            for each in sections
            if (common := each.intersection(Span(segment.run_address, len(segment.data)))).size
        ]
        stored += [each.moved(piece.address - segment.run_address) for each in parts] or [piece.span]
        # a section without bytes in flash, such as settings, is no hole
        stored += [each for each in sections if piece.segment.run_address == piece.segment.load_address]
    return [hole for hole in without([placement.placed.stored], stored) if hole.size >= LEAST_HOLE]


def _is_blank(inspection: Inspection, hole: Span) -> bool:
    """Whether nobody stores anything there: it is erased, or one byte that a tool fills with."""
    data = inspection.bytes_of(hole)
    return data == data[:1] * len(data)


def _held(inspection: Inspection, placement: Placement, hole: Span) -> dict[int, int]:
    """The addresses in a hole that code holds, as its core sees them, each with a place that holds it.

    A whole erase block that is free is one that the program may write.
    """
    build, core = placement.build, placement.plan.core
    located = locate(inspection.layout, hole.start)
    block = located.memory.erase_block if located else 0
    seen = Span(seen_by(inspection.layout, hole.start, core), hole.size)
    symbols = list(build.symbols.all()) if build.symbols else []
    found: dict[int, int] = {}
    mapped = inspection.mapped_code.get(build.name)
    for section in mapped.sections if mapped else ():
        data = build.read_at_run(section.start, len(section.code)) or b""
        for offset, value in held_addresses(seen, section.code, data, section.start):
            first = align_down(hole.start + value - seen.start, block) if block else 0
            if not (block and hole.covers(Span(first, block))) and not _is_of_symbol(value, symbols):
                found.setdefault(value, section.start + offset)
    return dict(sorted(found.items()))


def _is_of_symbol(address: int, symbols: list[Symbol]) -> bool:
    """Whether a label stands there, such as the end of a section, or a loop over an object starts or ends there."""
    for symbol in symbols:
        start = symbol.value & ~1
        if address == start:
            return True
        if symbol.kind == "object" and (address == start + symbol.size or 0 < start - address <= MAX_STRIDE):
            return True
    return False


def _finding(inspection: Inspection, placement: Placement, hole: Span, held: dict[int, int]) -> Finding:
    build = placement.build
    lines = [
        f"{format_address(at)}{f' ({place})' if (place := symbol_at(build, at)) else ''} holds {format_address(value)}"
        for value, at in held.items()
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
    checks="Where code of a build holds an address between the bytes that the build stores in flash, one of its "
    "sections is there.",
    why="A section that was left out, by objcopy --remove-section or by a list of --only-section that lacks it, takes "
    "its symbols with it, and no tool warns. Code then reads erased flash: texts, tables and constants are 0xFF.",
    remedy="Take the ELF file as the linker wrote it, or name every section with content in the command that makes the "
    "file.",
    source="GNU binutils, objcopy: --remove-section and --only-section; common practice",
    absent="the layout has no build",
    check=check,
    of_elf=True,
)
