"""Builds brought together into one image, and erased bytes written out where flash must be programmed.

One exception: bytes of another core's build inside the primary's build, at the place where that build
is stored, are a copy of it and must equal it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from gemel.builds.elf.notes import build_id_notes
from gemel.errors import Problem
from gemel.files.contents import ELF_START
from gemel.image.sparse import Conflict, SparseBytes, first_difference
from gemel.layout.addresses import locate
from gemel.layout.model import Layout
from gemel.placement.placed import PlacedBuild, blocks_of, not_ours
from gemel.placement.places import covered_spans
from gemel.placement.placing import MAX_GAP, Piece, Placement, part_in_flash, too_large_by
from gemel.record.format import MARK
from gemel.spans import Span, align_down, align_up, format_address, format_size, merge, without
from gemel.structs import NamedTuple
from gemel.text.escaping import in_shell

HEAD = 8
"""Bytes that a build begins with and a copy is known by: initial stack pointer and reset handler."""


def merge_builds(layout: Layout, placements: Mapping[str, Placement]) -> tuple[SparseBytes, list[Problem]]:
    """The image of all builds' bytes, each in its own area, and everything that is elsewhere.

    Bytes that the placements themselves complain of (outside flash, none in the own area) are passed over.
    """
    image = SparseBytes()
    problems: list[Problem] = []
    for placement in placements.values():
        for piece in placement.pieces:
            for area in layout.spans_of_build(placement.plan):
                inside = piece.span.intersection(area)
                conflicts = image.add(inside.start, _bytes_of(piece, inside)) if inside.size else []
                problems.extend(_twice(placement, piece, conflict) for conflict in conflicts[:1])
    for placement in placements.values():
        if placement.placed is None:
            continue
        areas = layout.spans_of_build(placement.plan)
        found: list[_Stray | Problem] = []
        for piece in placement.pieces:
            for outside in without([part_in_flash(layout, piece)], areas):
                found.extend(_outside(layout, placements, placement, piece, outside, image))
        problems.extend(_grouped(layout, placement, list(dict.fromkeys(found))))
    return image, problems


class _Stray(NamedTuple):
    """Bytes of a build outside its areas, in whose area they are, and the problem that they make alone."""

    span: Span
    how: str
    problem: Problem


def _grouped(layout: Layout, placement: Placement, found: list[_Stray | Problem]) -> Iterator[Problem]:
    """The problems of one build; all that runs on after its area as one of them, with its size."""
    strays = [each for each in found if isinstance(each, _Stray)]
    if strays and _is_image(layout, placement):
        file, name = in_shell(placement.build.file), placement.plan.name
        yield Problem(
            f"build {name} is an image with its record, no build",
            where=f"build {name} ({placement.build.file})",
            found="; ".join(f"{stray.how}: {stray.span}" for stray in strays),
            expected=f"the file that the linker wrote for area {placement.plan.stored_in}",
            next_step=f"gemel split LAYOUT {file} -o FOLDER takes the image apart",
        )
        return
    over = too_large_by(layout, placement.plan, [stray.span for stray in strays])
    if over:
        plan, area = placement.plan, placement.plan.stored_in
        inside = dict.fromkeys(stray.how for stray in strays if over.covers(stray.span))
        yield Problem(
            f"build {plan.name} is {format_size(over.size)} too large for area {area}",
            where=f"build {plan.name} ({placement.build.file})",
            found=f"bytes up to {format_address(over.last)}; what is after the area {' and '.join(inside)}",
            expected=f"inside area {area}, {layout.span_of(area)}",
            next_step="make the build smaller, or enlarge its area in the layout",
        )
    for each in found:
        if isinstance(each, Problem):
            yield each
        elif over is None or not over.covers(each.span):
            yield each.problem


def _twice(placement: Placement, piece: Piece, conflict: Conflict) -> Problem:
    """Two segments of one build that reach the same place by different addresses, such as an alias."""
    plan = placement.plan
    return Problem(
        f"build {plan.name} stores two different bytes at {format_address(conflict.address)}",
        where=f"build {plan.name} ({placement.build.file}, {piece.segment.words})",
        found=f"0x{conflict.new:02X} in this segment, 0x{conflict.held:02X} in one before it",
        expected="one byte at each place",
        next_step="memory aliases and views show the same bytes at several addresses: link the build for one of them",
    )


def _bytes_of(piece: Piece, span: Span) -> memoryview:
    start = span.start - piece.address
    return memoryview(piece.segment.data)[start : start + span.size]


def _outside(
    layout: Layout,
    placements: Mapping[str, Placement],
    placement: Placement,
    piece: Piece,
    outside: Span,
    image: SparseBytes,
) -> Iterator[_Stray | Problem]:
    """What is wrong with bytes of one build outside its own area, by whose area they fall into."""
    rest = [outside]
    plan = placement.plan
    for area in layout.areas.values():
        span = layout.span_of(area.name)
        shared = outside.intersection(span)
        if not shared.size:
            continue
        rest = without(rest, [span])
        owner = next(
            (it for it in layout.builds.values() if area.name in (it.stored_in, *it.also_stored_in)), None
        )
        whose = f"area {area.name}" + (f" of build {owner.name}" if owner else f" ({area.purpose})")
        astray = _astray(layout, placement, piece, shared, f"falls into {whose}")
        if owner and _may_hold_copy(layout, plan.core, owner.core):
            problem = _of_copy(layout, placements, placement, piece, shared, owner.name, image, astray)
            if problem:
                yield problem
        else:
            yield astray
    yield from (_astray(layout, placement, piece, span, "is in no area") for span in rest)


def _astray(layout: Layout, placement: Placement, piece: Piece, span: Span, how: str) -> _Stray:
    plan = placement.plan
    hint = "move it in the linker script, or enlarge its area in the layout"
    if piece.segment.data.startswith(ELF_START):
        hint = "its first segment stores the ELF file's own headers: keep them out of it (linker option -n)"
    problem = Problem(
        f"build {plan.name} {how}",
        where=f"build {plan.name} ({placement.build.file}, {piece.segment.words})",
        found=str(span),
        expected=f"inside area {plan.stored_in}, {layout.span_of(plan.stored_in)}",
        next_step=hint,
    )
    return _Stray(span, how, problem)


def _is_image(layout: Layout, placement: Placement) -> bool:
    """Whether the build has a record where the layout has its own, or where one of its segments begins."""
    at = {layout.span_of(layout.record.area).start} if layout.record else set()
    return any(
        bytes(_bytes_of(piece, Span(start, len(MARK)))) == MARK
        for piece in placement.pieces
        for start in {piece.address, *at}
        if piece.span.holds(start)
    )


def _may_hold_copy(layout: Layout, core: str, owner_core: str) -> bool:
    return layout.cores[core].role == "primary" and layout.cores[owner_core].role == "secondary"


def _of_copy(
    layout: Layout,
    placements: Mapping[str, Placement],
    placement: Placement,
    piece: Piece,
    shared: Span,
    owner: str,
    image: SparseBytes,
    astray: _Stray,
) -> _Stray | Problem | None:
    """What is wrong with bytes in the area of build ``owner``: none if they equal it, else a stale copy.

    ``astray`` if they are no copy at all but what a build that grew too large pushed over there.
    """
    from gemel.placement.elsewhere import runs_among
    from gemel.placement.places import gaps_between_sections

    placed = placements[owner].placed if owner in placements else None
    if placed is None:
        return None
    copy = bytes(_bytes_of(piece, shared))
    erased = layout.memory_of(layout.builds[owner].stored_in).erased_byte
    given_bytes = image.read(shared, erased)
    offset = _first_difference_where_held(image, shared, copy, gaps_between_sections(placements[owner]))
    if offset is None:
        return None
    first = min((each.address for each in placement.pieces if each.span.overlaps(placed.stored)), default=0)
    begins_there = copy[:HEAD] == given_bytes[:HEAD] or (
        piece.address == shared.start
        and first <= placed.stored.start
        and not _runs_on(layout, placement, shared)
    )
    notes = [note.build_id for note in build_id_notes(copy)]
    theirs = [note for note in notes if note != placement.build.build_id]
    ours = placements[owner].build.build_id
    if not image.held_in(shared) or not (begins_there or theirs):
        return astray
    if runs_among(layout, placement, layout.builds[owner]):
        return _same_place(layout, placement, placements[owner])
    address = shared.start + offset
    return Problem(
        f"the copy of build {owner} inside build {placement.plan.name} is not the {owner} given",
        where=f"build {placement.plan.name} ({placement.build.file}, {piece.segment.words}), "
        f"first difference at {format_address(address)}",
        found=f"0x{copy[offset]:02X} in the copy, build id {_id_words(theirs)}",
        expected=f"0x{given_bytes[offset]:02X} as in {placements[owner].build.file}, "
        f"build id {_id_words([ours] if ours else [])}",
        next_step=f"build {placement.plan.name} again with the new {owner}, or give the {owner} it was built with",
    )


def _same_place(layout: Layout, placement: Placement, owner: Placement) -> Problem:
    """Two builds that are linked for the same flash: neither holds a copy of the other."""
    name, other = placement.plan.name, owner.plan.name
    areas = layout.spans_of_build(owner.plan)
    both = merge(piece.span.intersection(area) for piece in placement.pieces for area in areas)
    return Problem(
        f"builds {name} and {other} are linked for the same flash addresses",
        where=f"build {name} ({placement.build.file}), build {other} ({owner.build.file})",
        found=f"both store bytes in {', '.join(map(str, both[:4]))}",
        expected="each build at flash addresses of its own",
        next_step="link one of them for other addresses, as an application after its boot loader, or give the "
        f"files that are: {name}=FILE, {other}=FILE",
    )


def _runs_on(layout: Layout, placement: Placement, shared: Span) -> bool:
    """Whether the build's bytes go on from its own area up to where ``shared`` begins: it has grown over the end."""
    reach = shared.start
    for piece in sorted(placement.pieces, key=lambda each: each.address, reverse=True):
        if piece.address < reach < piece.span.end + MAX_GAP:
            reach = piece.address
    return layout.span_of(placement.plan.stored_in).holds(reach)


def _first_difference_where_held(image: SparseBytes, span: Span, copy: bytes, gaps: list[Span]) -> int | None:
    """Where ``copy`` of ``span`` first differs from what ``image`` holds; gaps may have any fill."""
    if not image.held_in(span):
        return first_difference(copy, image.read(span, 0xFF))
    for part in without(image.held_in(span), gaps):
        start = part.start - span.start
        offset = first_difference(copy[start : start + part.size], image.read(part, None))
        if offset is not None:
            return start + offset
    return None


def _id_words(ids: list[bytes]) -> str:
    return ", ".join(each.hex() for each in ids) or "none"


def fill(layout: Layout, image: SparseBytes, spans: Iterable[Span]) -> None:
    """Write the erased byte wherever ``image`` holds none in ``spans``.

    Reserved areas and the seal's are left alone.
    """
    wanted = without(spans, not_ours(layout))
    for memory in layout.memories.values():
        inside = [span.intersection(memory.span) for span in wanted]
        for hole in without(inside, image.held_in(memory.span)):
            address = hole.start
            for block in blocks_of(layout, image, hole):
                image.write(address, block)
                address += len(block)


def spans_to_fill(layout: Layout, image: SparseBytes, placed: Mapping[str, PlacedBuild]) -> list[Span]:
    """Every build from its first write unit to its last, also in its further areas; what checksums cover."""
    spans = [build.stored for build in placed.values()]
    for name in placed:
        for area in layout.builds[name].also_stored_in:
            if held := image.held_in(layout.span_of(area)):
                spans.append(whole_units(layout, Span.from_bounds(held[0].start, held[-1].end)))
    for checksum in layout.checksums:
        spans.extend(covered_spans(layout, checksum, placed))
    return spans


def whole_units(layout: Layout, span: Span) -> Span:
    """``span`` grown to whole write units of its memory, as far as its area reaches.

    In no area it grows as far as no area is touched; outside all memories it stays as it is.
    """
    located = locate(layout, span.start)
    if located is None:
        return span
    unit = located.memory.write_unit
    grown = Span.from_bounds(align_down(span.start, unit), align_up(span.end, unit))
    grown = grown.intersection(located.memory.span)
    areas = [layout.span_of(area) for area in layout.areas]
    if home := next((area for area in areas if area.holds(span.start)), None):
        return grown.intersection(home)
    free = without([grown], areas)
    return next((part for part in merge([*free, span]) if part.covers(span)), span)
