"""Rule ``file-headers-not-stored``: no build stores the headers of its ELF file in flash."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.files.contents import ELF_START
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, found_or_holds, segment_words, sized
from gemel.outcomes import NOT_FOUND, Finding, Holds, NotChecked, Outcome
from gemel.placement.placing import Placement
from gemel.spans import Span

"""First bytes of every ELF file (gABI, "ELF Identification")."""
HEADER_SIZE = 52
"""Bytes of a 32-bit ELF header (gABI, "ELF Header")."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build; without the build, the first bytes of its place in the image."""
    for name in inspection.layout.builds:
        where = f"build {name}"
        if placement := inspection.placements.get(name):
            yield from found_or_holds(_in_build(placement), where)
        elif name in inspection.placed:
            plan, stored = inspection.layout.builds[name], inspection.placed[name].stored
            parties = concerned(name, plan.core, plan.stored_in)
            header = Span(stored.start, HEADER_SIZE)
            found = inspection.bytes_of(Span(stored.start, len(ELF_START))) == ELF_START
            yield (
                _finding(name, parties, f"start of build {name} in the image", header)
                if found
                else Holds(where)
            )
        else:
            yield NotChecked(where, NOT_FOUND)


def _in_build(placement: Placement) -> Iterator[Finding]:
    plan = placement.plan
    for piece in placement.pieces:
        if piece.segment.data.startswith(ELF_START):
            parties = concerned(plan.name, plan.core, plan.stored_in)
            span = Span(piece.address, min(HEADER_SIZE, piece.span.size))
            yield _finding(plan.name, parties, segment_words(placement.build, piece.segment), span)


def _finding(name: str, parties: tuple[str, ...], where: str, span: Span) -> Finding:
    return Finding(
        f"build {name} stores the header of its ELF file",
        parties,
        where=where,
        found=f"the bytes 7f 45 4c 46 of an ELF header, {sized(span)}",
        expected="the first bytes of the build itself, such as its vector table",
        span=span,
        follows_from=(("vector-table-not-blank", name),),
    )


RULE = Rule(
    name="file-headers-not-stored",
    severity="warning",
    guards="device",
    checks="No segment of a build, and no build's place in the image, begins with the header of an ELF file.",
    why="Linkers that align segments to pages of a host's size reach back to the start of the file and put its "
    "headers into the first segment. The headers take up flash before the vector table, often that of the area "
    "before; a core that fetches its vectors there takes the ELF magic number for its stack pointer. A "
    "warning, since headers that stay inside the build's own area only waste its flash.",
    remedy="Link with -n (--nmagic), and keep FILEHDR and PHDRS out of the linker script's segments.",
    source="System V gABI, chapter 7, program header; common practice",
    absent="the layout has no build",
    check=check,
)
