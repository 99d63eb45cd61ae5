"""Rule ``handlers-executable``: handlers are in the part of their build that is code by its own account."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_table
from gemel.checking.findings.handler_words import words_of_no_table
from gemel.checking.rule import Rule
from gemel.inspection.code.code_starts import data_at
from gemel.inspection.cores.vector_tables import place_of, value_lines, words_span
from gemel.inspection.cores.views import distance, function_at, runs_from
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.inspection.wording import needs_elf
from gemel.m_profile.vector_tables import reserved_words
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.placement.placing import Piece, Placement
from gemel.spans import format_address


@of_each_table
def check(inspection: Inspection, table: VectorTable) -> Iterator[Outcome]:
    """One outcome for each build, or one for each segment that wrongly holds handlers of it."""
    name = table.plan.name
    placement = inspection.placements.get(name)
    missing = needs_elf(name, inspection.builds.get(name), "access permissions")
    if placement is None or missing:
        yield NotChecked(f"build {name}", missing)
        return
    faults = _faults(inspection, table, placement)
    for part, indices in faults.items():
        yield _finding(inspection, table, part, indices)
    if not faults:
        yield Holds(f"build {name}")


def _faults(inspection: Inspection, table: VectorTable, placement: Placement) -> dict[str, list[int]]:
    """Words that lead into a part of the build that is no code, by that part."""
    faults: dict[str, list[int]] = {}
    skipped = {*reserved_words(table.core.architecture), *words_of_no_table(inspection, table)}
    parts = {
        word: _part_without_code(inspection, placement, word & ~1)
        for word in set(table.words)
        if runs_from(inspection, table.placed, word & ~1)
        or _in_variable(inspection.builds[table.plan.name], word & ~1)
    }
    for index, word in enumerate(table.words):
        if index and word and index not in skipped and (part := parts.get(word)):
            faults.setdefault(part, []).append(index)
    return faults


def _in_variable(build: Build | None, address: int) -> bool:
    """Whether a variable that the build stores bytes for is at a run address, elsewhere than its code runs."""
    return (
        build is not None
        and build.symbols is not None
        and build.read_at_run(address, 2) is not None
        and build.symbols.object_at(address) is not None
        and build.symbols.function_at(address) is None
    )


NOWHERE = ("a gap between the segments", "no section")
LEFT_OUT = "was a section left out when the file was made (objcopy -j)? Else write the table with the handlers' names"


def _relocates_itself(piece: Piece) -> bool:
    return piece.segment.executable and piece.segment.run_address != piece.segment.load_address


def _part_without_code(inspection: Inspection, placement: Placement, address: int) -> str:
    """What of the build is at a run address, as words; empty if that is code."""
    if any(_relocates_itself(piece) and piece.span.holds(address) for piece in placement.pieces):
        return ""  # code that runs where it is stored, until it has copied itself to where it is linked for
    parts = []
    for segment in placement.build.stored:
        offset = distance(inspection.layout, placement.plan.core, segment.run_address, address)
        if 0 <= offset < len(segment.data):
            parts.append(segment)
    if any(segment.executable for segment in parts):
        segment = parts[0]
        offset = distance(inspection.layout, placement.plan.core, segment.run_address, address)
        return data_at(placement.build, segment.run_address + offset)
    return f"{parts[0].words}, which is not executable," if parts else NOWHERE[0]


def _finding(inspection: Inspection, table: VectorTable, part: str, indices: list[int]) -> Finding:
    name, core = table.plan.name, table.core.name
    first = table.words[indices[0]]
    function = function_at(inspection, core, first)
    file = inspection.builds[name].file
    return Finding(
        f"build {name} has handlers that are not code",
        (name, core),
        where=place_of(table, *indices),
        found=f"{format_address(first)}{f' ({function})' if function else ''}, in {part} of {file}",
        expected=f"an address in an executable segment of {file}",
        span=words_span(table, indices),
        next_step=LEFT_OUT if part in NOWHERE else "",
        lines=value_lines(inspection, table, indices) if len(indices) > 1 else (),
    )


RULE = Rule(
    name="handlers-executable",
    severity="error",
    guards="device",
    checks="Each handler in its own build, the reset handler included, is in a segment that the build's ELF file "
    "marks as executable, in a section, and not where its symbols say that data is.",
    why="A handler in data or in a gap means that the table was patched, or is not this build's: the core "
    "executes constants or erased flash when the exception comes. A memory protection unit that was set up "
    "from the same file stops it there.",
    remedy="Build the vector table from the handlers' names, not from numbers; put functions that a table "
    'names into sections with code (for an assembler file: .section .text, "ax").',
    source="gABI, chapter 'Program Header' (PF_X); AAELF32, section 'Program header'; common practice",
    absent="the layout has no build in an area of purpose code",
    check=check,
)
