"""What start-up code of a build copies and clears, as a run of it shows.

Labels say what a linker script offers; the run says what code does with it.  Where it shows all that code may do, it
outweighs them.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.inspection.code.address_literals import holders_of
from gemel.inspection.code.address_users import reached_from
from gemel.inspection.ram.claims import shared_ram
from gemel.inspection.ram.unstored import KEPT, named_as, unstored_sections
from gemel.inspection.ram.windows import parts_of, windows_of
from gemel.inspection.start_up.tables import BY_SYMBOLS, StartBlocks, StartEntry
from gemel.layout.addresses import locate, plain_span
from gemel.layout.model import BuildPlan, Layout, Release
from gemel.m_profile.execution.start_run import StartRun, start_run
from gemel.m_profile.execution.values import SYSTEM, WatchedWrite, WrittenBytes
from gemel.m_profile.vector_tables import FIRST_INTERRUPT
from gemel.placement.placed import PlacedBuild
from gemel.placement.places import starting_plan
from gemel.placement.placing import Piece, Placement
from gemel.spans import Span, without

if TYPE_CHECKING:
    from gemel.builds.elf.section_table import Section

DEVICE_SIZE = 0x400
"""Bytes of a device's registers: one has as many, or a multiple (common practice)."""

PAGE = 256
"""Bytes of memory that are looked up at once."""

MIN_BLOCK = 8
"""Bytes of initialised data that come from elsewhere: fewer are a variable that code sets."""

BY_RUN = "its start-up code as it runs"


def run_of(
    layout: Layout,
    placement: Placement,
    words: tuple[int, ...],
    bytes_of: Callable[[Span], bytes],
    answer: int | None = None,
) -> StartRun | None:
    """A run of a build's start-up code; None where it does not show where that is.

    ``words`` are those of its vector table; ``bytes_of`` gives the bytes of the image at a plain span; with
    an ``answer``, what devices and RAM hold reads as that.
    """
    if placement.placed is None or len(words) < 2:
        return None
    build, reset = placement.build, words[1]
    function = build.symbols.function_at(reset) if build.symbols and reset & 1 else None
    if build.symbols is None or function is None or function[1]:
        return None
    main = next(
        (each.value for each in build.symbols.named("main") if each.kind == "function" and each.defined), None
    )
    memory = _Memory(layout, placement.plan, placement.placed, bytes_of, placement.pieces)
    return start_run(
        memory.byte_at,
        reset,
        words[0],
        main if main != reset else None,
        tuple(_expected(layout, placement)),
        goes_on=len(layout.builds_of(placement.plan.core)) > 1 or _copies_others(layout, placement.plan),
        answer=answer,
        vectors=_vectors_at_reset(layout, placement.plan),
        table_words=FIRST_INTERRUPT + layout.cores[placement.plan.core].interrupts,
        watched=tuple(
            release_write(each.release)
            for each in layout.secondaries()
            if each.release and each.name != placement.plan.core
        ),
        ram=memory.ram,
    )


def _copies_others(layout: Layout, plan: BuildPlan) -> bool:
    """Whether code of the build may copy another core's build to RAM, which takes long."""
    return any(each.runs_in and each.core != plan.core for each in layout.builds.values())


def release_write(release: Release) -> WatchedWrite:
    """The write by which a core is released."""
    return WatchedWrite(release.control_register, release.release_mask, release.release_value)


def _vectors_at_reset(layout: Layout, plan: BuildPlan) -> int | None:
    """What VTOR holds as the build starts, where the layout says so."""
    core = layout.cores[plan.core]
    starts = core.role == "primary" and starting_plan(layout) == plan and core.architecture != "armv6-m"
    return core.reset_vectors if starts else None


def run_of_image(
    layout: Layout,
    placed: PlacedBuild,
    words: tuple[int, ...],
    bytes_of: Callable[[Span], bytes],
    answer: int,
) -> StartRun | None:
    """The same by the bytes of the image alone, as far as the run goes."""
    if len(words) < 2 or not words[1] & 1:
        return None
    memory = _Memory(layout, layout.builds[placed.name], placed, bytes_of)
    return start_run(memory.byte_at, words[1], words[0], None, answer=answer, ram=memory.ram)


def _expected(layout: Layout, placement: Placement) -> Iterator[WrittenBytes]:
    """What start-up code is to copy and clear of the core's own memory."""
    for piece in _moved_pieces(layout, placement):
        yield WrittenBytes(piece.segment.load_address, piece.segment.stored_run)
    shared = shared_ram(layout)
    for section in unstored_sections(placement.build):
        plain = plain_span(layout, section.span, placement.plan.core)
        if not named_as(KEPT, section.name) and not (plain and any(each.overlaps(plain) for each in shared)):
            yield WrittenBytes(None, section.span)


class _Memory:
    """What a build's core sees at reset, of what the image stores."""

    def __init__(
        self,
        layout: Layout,
        plan: BuildPlan,
        placed: PlacedBuild,
        bytes_of: Callable[[Span], bytes],
        pieces: tuple[Piece, ...] = (),
    ) -> None:
        self._plan, self._placed, self._bytes_of, self._pieces = plan, placed, bytes_of, pieces
        self._windows = windows_of(layout, plan.core)
        self._pages: dict[int, bytearray | None] = {}
        self.ram = tuple(each.seen for each in self._windows if each.memory.kind == "ram")

    def byte_at(self, address: int) -> int | None:
        """The byte at an address; None where none is stored."""
        page = address // PAGE
        if page not in self._pages:
            self._pages[page] = self._read(Span(page * PAGE, PAGE))
        found = self._pages[page]
        return None if found is None else found[address % PAGE]

    def _read(self, seen: Span) -> bytearray | None:
        placed = self._placed
        if self._plan.runs_in:
            run = Span(placed.run_start, placed.stored.size)
            if run.overlaps(seen):
                return self._bytes(seen.moved(placed.stored.start - run.start))
        for part in parts_of(seen, self._windows):
            if part.memory and part.memory.holds_image and part.seen == seen:
                return self._bytes(part.plain)
        return None

    def _bytes(self, plain: Span) -> bytearray:
        data = bytearray(self._bytes_of(plain))
        for piece in self._pieces:
            common = piece.span.intersection(plain)
            if common.size:
                stored = piece.segment.data[common.start - piece.address : common.end - piece.address]
                data[common.start - plain.start : common.end - plain.start] = stored
        return data


def blocks_as_run(
    layout: Layout, placement: Placement, blocks: StartBlocks, run: StartRun | None
) -> StartBlocks:
    """The blocks with what the run of the start-up code shows, where that shows all."""
    if run is None or run.why_not:
        return blocks
    pieces = list(_moved_pieces(layout, placement))
    found: list[StartEntry] = []
    differs = False
    for piece in pieces:
        place = piece.segment.stored_run
        right, wrong = _copied(layout, placement, piece, run)
        missing = without([place], [each.span for each in (*right, *wrong)])
        if missing == [place]:
            right, wrong = _copied_by_device(layout, placement, piece, run)
            missing = [] if right else missing
            if not right and not wrong and _is_moved_otherwise(piece, run):
                return blocks
            wrong = wrong or ([] if right else _copied_elsewhere(layout, placement, piece, run))
        differs = differs or bool(missing or wrong)
        found += right + wrong
    kept = []
    for each in blocks.copies:
        is_said = any(_says_the_same(layout, placement, piece, each) for piece in pieces)
        if not (differs and is_said) and (is_said or _may_be_run(layout, placement, each, run)):
            kept.append(each)
    kept += [each for each in found if without([each.span], [known.span for known in kept])]
    clears = [*blocks.clears, *(StartEntry(None, each.start, each.end, BY_RUN) for each in run.zeroed)]
    return blocks._replace(copies=kept, clears=clears, states_copies=True, written=run.written)


def _moved_pieces(layout: Layout, placement: Placement) -> Iterator[Piece]:
    """The pieces in RAM that the core finds elsewhere at reset; neither overlays nor most of the code."""
    build, placed = placement.build, placement.placed
    sections = build.all_sections
    for piece in placement.pieces:
        run = piece.segment.stored_run
        located = locate(layout, run.start, placement.plan.core)
        if located is None or located.memory.kind != "ram":
            continue
        if (
            placement.plan.runs_in
            and placed
            and plain_at_reset(layout, placement, run.start) == piece.address
        ):
            continue
        if any(other is not piece and run.overlaps(other.segment.stored_run) for other in placement.pieces):
            continue
        if not any(
            each.span.overlaps(run) and _is_most_code(build, each) for each in sections if each.allocated
        ):
            yield piece


def _is_most_code(build: Build, section: Section) -> bool:
    """Whether the build as a whole moves to RAM by the section, of which the layout is to say so.

    Then it holds most of the code, or begins with a vector table.
    """
    if not (build.sections and section.stored and section.executable):
        return False
    code, size = build.sections.code()
    head = struct.unpack("<4I", build.read_at_run(section.span.start, 16) or bytes(16))
    return all(word & 1 and code.at(word) for word in head[1:]) or 2 * section.span.size > size


def plain_at_reset(layout: Layout, placement: Placement, address: int) -> int | None:
    """The plain address in the image of what the core reads at an address when it starts."""
    located = locate(layout, address, placement.plan.core)
    if located is None:
        return None
    placed = placement.placed
    if placement.plan.runs_in and placed:
        start = locate(layout, placed.run_start, placed.core)
        offset = located.plain - (start.plain if start else placed.run_start)
        if 0 <= offset < placed.stored.size:
            return placed.stored.start + offset
    return located.plain if located.memory.holds_image else None


def _copied(
    layout: Layout, placement: Placement, piece: Piece, run: StartRun
) -> tuple[list[StartEntry], list[StartEntry]]:
    """What the run copies to where the piece belongs, from where it is stored and from elsewhere.

    What code puts on a stack or in a heap, such as a register, is no copy of what a linker has stored for that.
    """
    place = piece.segment.stored_run
    kept = [
        each.span for each in placement.build.all_sections if each.allocated and named_as(KEPT, each.name)
    ]
    right: list[StartEntry] = []
    others: list[StartEntry] = []
    for source, span in (*run.copies, *run.later):
        common = span.intersection(place)
        if common.size and source is not None:
            start = source + common.start - span.start
            entry = StartEntry(start, common.start, common.end, BY_RUN)
            is_own = plain_at_reset(layout, placement, start) == piece.address + common.start - place.start
            if is_own or not any(each.covers(common) for each in kept):
                (right if is_own else others).append(entry)
    wrong = [
        each
        for each in others
        if each.span.size >= min(MIN_BLOCK, place.size)
        and sum(rest.size for rest in without([each.span], [known.span for known in right]))
        >= min(MIN_BLOCK, place.size)
    ]
    return right, wrong


def _copied_elsewhere(layout: Layout, placement: Placement, piece: Piece, run: StartRun) -> list[StartEntry]:
    """Where the run copies the bytes of the piece to, of which nothing is where it belongs."""
    found = []
    for source, span in run.copies:
        plain = plain_at_reset(layout, placement, source or 0)
        if plain is not None and 2 * Span(plain, span.size).intersection(piece.span).size > piece.span.size:
            found.append(StartEntry(source, span.start, span.end, BY_RUN))
    return found


def _says_the_same(layout: Layout, placement: Placement, piece: Piece, entry: StartEntry) -> bool:
    """Whether labels have the piece copied from where it is stored: then the run knows better."""
    run = piece.segment.stored_run
    if entry.source is None or not (run.overlaps(entry.span) or run.holds(entry.start)):
        return False
    return plain_at_reset(layout, placement, entry.source) == piece.address + entry.start - run.start


def _may_be_run(layout: Layout, placement: Placement, entry: StartEntry, run: StartRun) -> bool:
    """Whether the run copies a block by symbols, which a script has whether code uses them for that or not.

    What it copies from RAM is not seen.
    """
    if not entry.named_by.startswith(BY_SYMBOLS) or not entry.span.size:
        return True
    distance = entry.start - (entry.source or 0)
    return plain_at_reset(layout, placement, entry.source or 0) is None or any(
        source is not None and span.start - source == distance and span.overlaps(entry.span)
        for source, span in (*run.copies, *run.later)
    )


def _copied_by_device(
    layout: Layout, placement: Placement, piece: Piece, run: StartRun
) -> tuple[list[StartEntry], list[StartEntry]]:
    """What a device copies that code gives the source of the piece with its place, or with one other address in RAM.

    A descriptor in RAM may have the place.
    """
    place, source = piece.segment.stored_run, piece.segment.load_address
    near = Span.from_bounds(max(0, place.start - 4), place.end + 1)
    described = [{word for word in words if word is not None} for words in run.described]
    given = [*given_to_devices(run), *described]
    if any({source, piece.address} & words and any(map(near.holds, words)) for words in given):
        return [StartEntry(source, place.start, place.end, BY_RUN)], []
    wrong = []
    for words in given:
        located = [(word, locate(layout, word, placement.plan.core)) for word in words]
        targets = [word for word, found in located if found and found.memory.kind == "ram"]
        in_descriptor = any(near.holds(word) for each in described for word in each)
        if {source, piece.address} & words and len(targets) == 1 and not in_descriptor:
            wrong.append(StartEntry(source, targets[0], targets[0] + place.size, BY_RUN))
    return [], wrong


def given_to_devices(run: StartRun) -> Iterator[set[int]]:
    """The words that code gives each device."""
    known = [(each.target, each.value) for each in run.stores if each.value is not None]
    stores = [(target, value) for target, value in known if isinstance(target, int) and target < SYSTEM]
    for device in {target // DEVICE_SIZE for target, _ in stores}:
        yield {value for target, value in stores if target // DEVICE_SIZE == device}


def _is_moved_otherwise(piece: Piece, run: StartRun) -> bool:
    """Whether code gives a device, such as one that copies by itself, an address of the piece."""
    spans = (piece.span, Span(piece.segment.load_address, piece.span.size), piece.segment.stored_run)
    return any(
        each.value is not None and any(span.holds(each.value) for span in spans) for each in run.stores
    )


def never_initialised(layout: Layout, placement: Placement, reset: int, run: StartRun | None) -> list[Piece]:
    """The pieces of initialised data that no code which the reset handler leads to copies."""
    pieces = list(_moved_pieces(layout, placement))
    if run and not run.why_not:
        return [piece for piece in pieces if not any(_copied(layout, placement, piece, run))]
    functions = reached_from(placement.build, reset)
    codes = [
        (each.address, placement.build.read_at_run(each.address, each.size) or b"") for each in functions
    ]
    return [
        piece
        for piece in pieces
        if not any(
            next(holders_of(address, code, start), None)
            for start, code in codes
            for address in (piece.address, piece.segment.load_address)
        )
    ]
