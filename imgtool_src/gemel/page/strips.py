"""Each memory as strips to draw: areas, what each build takes, tables and proofs, erase blocks, findings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Literal

from gemel.show.facts.contents import AreaPart, Contents, MemoryUse
from gemel.spans import Span, align_down, align_up, merge
from gemel.structs import Struct

LaneKind = Literal["area", "gap", "build", "ram", "proof", "other", "block", "changed"]
"""How a part is drawn.  gap: no area; ram: RAM that a build claims; proof: record, seal, stamp, checksum, vectors;
changed: erase blocks that differ."""

JOINED_GAP = 1 << 20
"""Without a layout, runs of a file with less than this between them are drawn on one strip."""

MAX_BLOCK_RUNS = 500
"""Runs of used erase blocks that are drawn at most."""


class LanePart(Struct):
    """A stretch of a lane; ``href`` is the id of what the page says of it, ``build`` whose it is, by number."""

    name: str
    span: Span
    kind: LaneKind
    href: str
    note: str
    build: int | None = None


class Lane(Struct):
    """Parts of one sort, on the strip's own scale."""

    name: str
    parts: tuple[LanePart, ...]


class PlacedFinding(Struct):
    """A finding where it happens."""

    number: int
    severity: str
    what: str
    span: Span


class Strip(Struct):
    """A memory, or without a layout a stretch of the file."""

    name: str
    kind: str
    span: Span
    erase_block: int | None
    lanes: tuple[Lane, ...]
    findings: tuple[PlacedFinding, ...]

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to draw: no area, no byte, no finding."""
        return not self.findings and all(part.kind == "gap" for lane in self.lanes for part in lane.parts)


MAX_GROUPS = 40
"""Stretches of a file without a layout that are drawn at most."""


def strips_of(contents: Contents, findings: Sequence[PlacedFinding]) -> tuple[Strip, ...]:
    """One strip a memory of the layout; without a layout, one for each group of the file's runs."""
    if contents.layout is None:
        return tuple(_file_strips(contents))
    return tuple(
        _strip(contents, number, memory, findings) for number, memory in enumerate(contents.memories)
    )


def _strip(contents: Contents, number: int, memory: MemoryUse, findings: Sequence[PlacedFinding]) -> Strip:
    areas = tuple(
        LanePart(
            area.name or "no area",
            area.span,
            "area" if area.name else "gap",
            f"area-{number}-{at}",
            f"{area.purpose or 'no area'}, {area.per_cent:g} % used",
        )
        for at, area in enumerate(memory.areas)
    )
    lanes = [Lane("areas", areas)]
    parts = [part for area in memory.areas for part in area.parts]
    for order, build in enumerate(contents.builds):
        if own := tuple(_build_parts(parts, build.name, order)):
            lanes.append(Lane(f"{build.name} ({build.core})", own))
    if proofs := tuple(_proofs(contents, parts, memory.span)):
        lanes.append(Lane("vectors, record, seal, stamps, checksums", proofs))
    if unknown := tuple(
        LanePart("other bytes", span, "other", "map", "bytes of the image that nothing known uses")
        for part in parts
        if part.kind == "unknown"
        for span in part.spans
    ):
        lanes.append(Lane("other bytes", unknown))
    if memory.erase_block and memory.kind == "flash":
        lanes.append(Lane(f"erase blocks of {memory.erase_block:,} bytes in use", _blocks(parts, memory)))
    inside = tuple(each for each in findings if each.span.overlaps(memory.span))
    return Strip(memory.name, memory.kind, memory.span, memory.erase_block, tuple(lanes), inside)


def _build_parts(parts: Sequence[AreaPart], name: str, order: int) -> Iterator[LanePart]:
    words = {"build": "stored here", "copy": "copied here to run", "ram claim": "claimed at run time"}
    for part in parts:
        if part.name == name and part.kind in words:
            kind: LaneKind = "build" if part.kind == "build" else "ram"
            for span in part.spans:
                yield LanePart(name, span, kind, f"build-{order}", words[part.kind], order)


def _proofs(contents: Contents, parts: Sequence[AreaPart], memory: Span) -> Iterator[LanePart]:
    for number, table in enumerate(contents.vector_tables):
        if memory.holds(table.span.start):
            yield LanePart(
                f"vectors of {table.build}", table.span, "proof", f"vectors-{number}", "vector table"
            )
    for part in parts:
        if part.kind in ("record", "seal"):
            for span in part.spans:
                yield LanePart(part.kind, span, "proof", f"{part.kind}s", part.kind)
    for value in contents.values:
        if value.span and memory.holds(value.span.start):
            yield LanePart(value.name, value.span, "proof", "values", f"{value.kind}, {value.match}")


def _blocks(parts: Sequence[AreaPart], memory: MemoryUse) -> tuple[LanePart, ...]:
    size = memory.erase_block or 1
    start = memory.span.start
    used = merge(
        Span.from_bounds(
            start + align_down(span.start - start, size), start + align_up(span.end - start, size)
        ).intersection(memory.span)
        for part in parts
        for span in part.spans
        if part.kind not in ("ram claim", "copy")
    )
    return tuple(
        LanePart(
            f"{-(-span.size // size):,} in use",
            span,
            "block",
            "map",
            "erase blocks that hold bytes of the image",
        )
        for span in used[:MAX_BLOCK_RUNS]
    )


def _file_strips(contents: Contents) -> Iterator[Strip]:
    for number, whole in enumerate(merge(contents.image.runs, JOINED_GAP - 1)[:MAX_GROUPS]):
        parts = tuple(
            LanePart(
                piece.name,
                piece.span,
                {"build": "build", "record": "proof", "blank": "gap"}.get(piece.kind, "other"),  # type: ignore[arg-type]
                "pieces",
                piece.kind,
            )
            for piece in contents.pieces
            if piece.span.overlaps(whole)
        )
        yield Strip(
            f"part {number + 1} of the file", "file", whole, None, (Lane("what it holds", parts),), ()
        )
