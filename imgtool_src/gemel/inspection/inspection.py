"""What is under check: layout, image and builds, and what several rules want to know of them."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Mapping
from functools import cached_property, wraps
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from gemel.builds.build import Build
from gemel.errors import Problem
from gemel.image.sparse import SparseBytes
from gemel.inspection.patch_locations import PatchLocations, patch_locations
from gemel.layout.addresses import locate, seen_by
from gemel.layout.model import BuildPlan, Core, Layout
from gemel.layout.reader import ReadLayout
from gemel.placement.placed import PlacedBuild, Version
from gemel.placement.places import SymbolPlaces
from gemel.placement.placing import Placement, place_all
from gemel.policy.reader import NO_RECEIVER, Receiver
from gemel.record.record import BuildEntry, Record, RecordError, decode, record_size
from gemel.spans import ADDRESS_SPACE, Span
from gemel.structs import Struct, field

if TYPE_CHECKING:
    import datetime

    from gemel.builds.mapped_code import MappedCode
    from gemel.image.image import ImageFile
    from gemel.inspection.code.core_settings import Setting
    from gemel.inspection.instead_of_tables import Instead
    from gemel.inspection.previous import Previous
    from gemel.inspection.rehearsed import Rehearsed
    from gemel.inspection.seal import SealUnderCheck
    from gemel.inspection.start_up.tables import StartBlocks
    from gemel.m_profile.execution.start_run import StartRun
    from gemel.seals.keys.keys import PublicKey

Found = TypeVar("Found")

Strict = Literal["", "warnings", "inputs"]
"""What fails a check besides errors: nothing; warnings; warnings and what was not checked for lack of an input."""

Origin = Literal["build", "record", "layout"]
"""Where the knowledge of a build's place comes from; ``layout`` means guessed from its area's bytes."""


class Inspection(Struct, dict=True):
    """One image under check.

    ``builds`` are those given, by name; ``version`` and ``rollback`` what the image is meant to hold (None:
    whatever its record says, or with ``as_layout_states`` what the layout does).  ``trusted`` are the keys
    whose seals are accepted; ``at_least`` and ``previous`` say below what its rollback counter must not be.
    ``rehearsal`` is what happened when its cores were started (None: they were not); ``file`` is the image's
    name in reports.  ``known`` are keys whose signatures are verified and do not count; ``receiver`` is what
    is demanded beyond the layout.  ``entry`` is the start address that the image's file names, if any;
    ``leaves_bytes_out`` is false of a raw binary, which holds every byte.  ``image_file`` is the file that
    the image was read from; ``strict`` says what fails the check besides errors; ``judged_on`` is the date
    that was given for waivers to end by (None: the machine's); ``joined_with`` is the layout that the image
    was joined with, if it is another; ``explains`` is whether the cause of a finding is searched for, which
    takes longer than all rules; ``command`` is what reports name as the judge, ``options`` those that changed its
    result (None: those of a check, by the fields above).  Everything else is worked out once, when first needed.
    """

    read: ReadLayout
    image: SparseBytes
    builds: Mapping[str, Build] = field(default_factory=dict)
    version: Version | None = None
    rollback: int | None = None
    remarks: tuple[Problem, ...] = ()
    trusted: tuple[PublicKey, ...] = ()
    at_least: int | None = None
    previous: Previous | None = None
    disassemble: bool = False
    rehearsal: Rehearsed | None = None
    file: str = ""
    known: tuple[PublicKey, ...] = ()
    receiver: Receiver = NO_RECEIVER
    entry: int | None = None
    leaves_bytes_out: bool = True
    judged_on: datetime.date | None = None
    image_file: ImageFile | None = None
    strict: Strict = ""
    joined_with: ReadLayout | None = None
    explains: bool = True
    as_layout_states: bool = False
    command: str = "check"
    options: tuple[str, ...] | None = None

    def kept(self, name: str, function: Callable[[Any], Any]) -> Any:
        """What ``function`` works out from an inspection, once; ``name`` says all else that it depends on."""
        known = vars(self)
        if name not in known:
            known[name] = function(self)
        return known[name]

    @property
    def layout(self) -> Layout:
        """The layout."""
        return self.read.layout

    @cached_property
    def placements(self) -> dict[str, Placement]:
        """The given builds, each placed by itself."""
        return place_all(self.layout, self.builds)

    def image_of_builds(self) -> SparseBytes:
        """The image with the bytes of the given builds where they belong; what is patched stays."""
        image = self.image.copy()
        for placement in self.placements.values():
            for address, data in placement.stored_without(self.patches.known.values()):
                image.write(address, data)
        return image

    @cached_property
    def symbols(self) -> SymbolPlaces:
        """Looks up plain addresses of symbols of the given builds."""
        return SymbolPlaces(self.placements)

    @cached_property
    def patches(self) -> PatchLocations:
        """Where stamps and checksums are written, as far as the given builds show."""
        return patch_locations(self.layout, self.symbols)

    @cached_property
    def record_or_error(self) -> Record | RecordError | None:
        """The image's record; the error if it is not sound; None if the layout has none."""
        if self.layout.record is None:
            return None
        span = self.layout.span_of(self.layout.record.area)
        try:
            return decode(self.bytes_of(span), f"area {self.layout.record.area}, {span}")
        except RecordError as error:
            return error.with_traceback(None)  # which would keep this inspection, and with it the image

    @property
    def record(self) -> Record | None:
        """The image's record if there is one and it is sound."""
        found = self.record_or_error
        return found if isinstance(found, Record) else None

    @property
    def meant(self) -> tuple[Version | None, int]:
        """The version and rollback counter that it is to hold: as asked, else by its record, else by the layout."""
        said = self.record or self.layout
        version = self.version or (Version.of(said.version) if said.version else None)
        return version, said.rollback if self.rollback is None else self.rollback

    @cached_property
    def record_bytes(self) -> bytes | None:
        """The exact bytes of the image's record, which a seal is over, if it is sound."""
        if self.layout.record is None or self.record is None:
            return None
        start = self.layout.span_of(self.layout.record.area).start
        return self.bytes_of(Span(start, record_size(len(self.record.builds))))

    @cached_property
    def instead_of_tables(self) -> dict[str, Instead | None]:
        """What is in place of the vector table of each build that should have one; None where nothing is."""
        from gemel.inspection.instead_of_tables import instead_of_table, vector_builds

        return {
            plan.name: instead_of_table(
                self.layout, plan, self.bytes_of, self.builds.get(plan.name), self.placed.get(plan.name)
            )
            for plan in vector_builds(self.layout)
        }

    @cached_property
    def core_settings(self) -> dict[str, tuple[Setting, ...]]:
        """What the code of each build with symbols sets of its own core, and in the registers of a release."""
        from gemel.inspection.code.core_settings import of_word, settings_of, words_of_bits
        from gemel.m_profile.code.known_registers import VTOR_NS

        releases = [core.release for core in self.layout.secondaries() if core.release]
        registers = frozenset(
            register for each in releases for register in (each.control_register, each.vector_register)
        )
        if any("security" in core.extensions for core in self.layout.cores.values()):
            registers |= {VTOR_NS}
        found = {}
        for name, build in self.builds.items():
            architecture = self.layout.cores[self.layout.builds[name].core].architecture
            bits = words_of_bits(architecture, [each.control_register for each in releases])
            if build.symbols:
                settings = settings_of(build, registers | bits, self.start_runs.get(name))
                found[name] = tuple(of_word(each, architecture) if bits else each for each in settings)
        return found

    @cached_property
    def mapped_code(self) -> dict[str, MappedCode]:
        """The code of each build with symbols, without the data in it."""
        from gemel.builds.mapped_code import mapped_code

        return {name: code for name, build in self.builds.items() if (code := mapped_code(build))}

    @cached_property
    def start_blocks(self) -> dict[str, StartBlocks]:
        """What start-up code of each build with symbols copies and clears."""
        from gemel.inspection.start_up.started import blocks_as_run
        from gemel.inspection.start_up.tables import start_blocks

        return {
            name: blocks_as_run(
                self.layout, self.placements[name], start_blocks(build), self.start_runs.get(name)
            )
            for name, build in self.builds.items()
            if build.symbols
        }

    @cached_property
    def start_runs(self) -> dict[str, StartRun | None]:
        """What start-up code of each build does as it runs, where that can be said."""
        from gemel.inspection.start_up.started import run_of

        return {
            name: run_of(self.layout, self.placements[name], table.words, self.bytes_of)
            for name in self.builds
            if (table := self.vector_table(name))
        }

    @cached_property
    def seal(self) -> SealUnderCheck | None:
        """What is in the seal's area and what became of each signer; None if the layout has no seal."""
        from gemel.inspection.seal import seal_under_check

        return seal_under_check(
            self.layout, self.bytes_of, lambda: self.record_bytes, self.trusted, self.known, self.receiver
        )

    @property
    def demands_seal(self) -> bool:
        """Whether layout or receiver require a seal: then what guards the image cannot be waived."""
        plan = self.layout.seal
        return self.receiver.demands_seal or (plan is not None and plan.required)

    @cached_property
    def placed_with_origin(self) -> dict[str, tuple[PlacedBuild, Origin]]:
        """Each build of the layout: where it is in the image, and how that is known.

        A given build shows best; then the record; else the bytes of its area that are not erased.
        A build of which nothing is found is left out.
        """
        result: dict[str, tuple[PlacedBuild, Origin]] = {}
        for name, plan in self.layout.builds.items():
            placement = self.placements.get(name)
            if placement and placement.placed:
                result[name] = placement.placed, "build"
            elif recorded := self._recorded(plan):
                result[name] = recorded, "record"
            elif guessed := self._guessed(plan):
                result[name] = guessed, "layout"
        return result

    @cached_property
    def placed(self) -> dict[str, PlacedBuild]:
        """Each build of the layout that was found in the image."""
        return {name: placed for name, (placed, _) in self.placed_with_origin.items()}

    def entry_of(self, name: str) -> BuildEntry | None:
        """What the image's record says of a build."""
        entries = self.record.builds if self.record else ()
        return next((entry for entry in entries if entry.name == name), None)

    def _recorded(self, plan: BuildPlan) -> PlacedBuild | None:
        entry = self.entry_of(plan.name)
        area = self.layout.span_of(plan.stored_in)
        if entry is None or not area.covers(entry.stored):
            return None
        vectors = entry.vector_address
        if vectors is None:
            vectors = self._vectors_of(plan, entry.stored.start, entry.run_start)
        return PlacedBuild(
            plan.name, plan.core, entry.stored, entry.run_start, vectors, entry.build_id or None
        )

    def _guessed(self, plan: BuildPlan) -> PlacedBuild | None:
        area = self.layout.span_of(plan.stored_in)
        memory = self.layout.memory_of(plan.stored_in)
        written = self.written(area)
        if not written.size:
            return None
        stored = Span(area.start, min(area.size, -(-written.size // memory.write_unit) * memory.write_unit))
        start = self.layout.span_of(plan.runs_in).start if plan.runs_in else area.start
        run_start = seen_by(self.layout, start, plan.core)
        vectors = self._vectors_of(plan, area.start, run_start)
        return PlacedBuild(plan.name, plan.core, stored, run_start, vectors, None)

    def _vectors_of(self, plan: BuildPlan, stored_start: int, run_start: int) -> int:
        vectors = self.layout.table_start(plan)
        return (run_start + vectors - stored_start) % ADDRESS_SPACE

    def bytes_of(self, span: Span) -> bytes:
        """The bytes of a plain span that is in one memory; unwritten ones as its erased byte."""
        return self.image.read(span, self.erased_byte_at(span.start))

    def written(self, span: Span) -> Span:
        """A plain span without the erased bytes at its end; only bytes that the image holds are looked at."""
        erased = bytes((self.erased_byte_at(span.start),))
        for held in reversed(self.image.held_in(span)):
            if data := self.bytes_of(held).rstrip(erased):
                return Span.from_bounds(span.start, held.start + len(data))
        return Span(span.start, 0)

    def held_parts(self, span: Span, gap: int) -> Iterator[Span]:
        """What the image holds in a span, with the holes in it that are smaller than ``gap`` bytes."""
        found: Span | None = None
        for held in self.image.held_in(span):
            if found and held.start - found.end < gap:
                found = Span.from_bounds(found.start, held.end)
            else:
                if found:
                    yield found
                found = held
        if found:
            yield found

    def erased_byte_at(self, address: int) -> int:
        """What an unwritten byte at a plain address reads; 0xFF outside memories."""
        located = locate(self.layout, address)
        return located.memory.erased_byte if located else 0xFF

    def word_at(self, address: int) -> int:
        """The little-endian 32-bit word at a plain address."""
        return int.from_bytes(self.bytes_of(Span(address, 4)), "little")

    def vector_table(self, name: str) -> VectorTable | None:
        """The vector table of a build of the layout; None if nothing of the build was found."""
        return self._vector_tables.get(name)

    @cached_property
    def blank_tables(self) -> frozenset[str]:
        """The builds whose vector tables start blank."""
        tables = self._vector_tables.items()
        return frozenset(name for name, table in tables if self.starts_blank(table.span.start))

    def starts_blank(self, table: int) -> bool:
        """Whether the two words at ``table`` that a core needs to start are both erased or both zero."""
        data = self.bytes_of(Span(table, 8))
        return data in (bytes(8), bytes((self.erased_byte_at(table),)) * 8)

    @cached_property
    def _vector_tables(self) -> dict[str, VectorTable]:
        return {name: self._read_vector_table(self.layout.builds[name]) for name in self.placed}

    def _read_vector_table(self, plan: BuildPlan) -> VectorTable:
        core = self.layout.cores[plan.core]
        start = self.layout.table_start(plan)
        span = Span(start, 4 * (16 + core.interrupts))
        if located := locate(self.layout, start):
            span = span.intersection(located.memory.span)
        data = self.bytes_of(span)
        words = struct.unpack_from(f"<{len(data) // 4}I", data)
        return VectorTable(plan, core, self.placed[plan.name], span, words)


def once(function: Callable[[Inspection], Found]) -> Callable[[Inspection], Found]:
    """A function whose result is kept with the inspection, as its own cached properties are."""
    name = f"{function.__module__}.{function.__name__}"

    @wraps(function)
    def kept(inspection: Inspection) -> Found:
        found: Found = inspection.kept(name, function)
        return found

    return kept


class VectorTable(Struct):
    """A build's vector table as the image holds it; ``words`` are two at least, 16 + the core's interrupts at most."""

    plan: BuildPlan
    core: Core
    placed: PlacedBuild
    span: Span
    words: tuple[int, ...]
