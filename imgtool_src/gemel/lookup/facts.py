"""What each core finds at an address, and where each core finds a symbol."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Literal

from gemel.builds.build import Build
from gemel.errors import Problem, UsageProblem
from gemel.inspection.inspection import Inspection
from gemel.layout.addresses import Located, locate, starts_of
from gemel.lookup.build_names import BuildNames, NameAt, index_of
from gemel.m_profile.fault_registers import meaning_of
from gemel.placement.placing import Piece
from gemel.span_index import SpanIndex, Stretches
from gemel.spans import ADDRESS_SPACE, Address, Span
from gemel.structs import NamedTuple, Struct
from gemel.text.escaping import in_shell

if TYPE_CHECKING:
    from gemel.builds.elf.symbol_entries import Symbol

FORMAT = 1
"""The version of the JSON form."""


class Hit(Struct):
    """What one build has at an address.

    ``use``: ``runs`` where its code or data is used there, ``stored`` where the image stores bytes there that are
    used at ``run_address``, both as its own core sees it.  ``offset`` is bytes from the start of ``symbol``;
    texts are empty, and ``size`` is 0, where nothing shows.
    """

    build: str
    core: str
    use: Literal["runs", "stored"]
    run_address: Address
    section: str
    symbol: str
    offset: int
    size: int
    source: str


class View(Struct):
    """What one core finds at an address: memory and area, and the builds that have something there.

    ``also_at`` are other addresses at which this core reaches the same byte, ``word`` is what the image stores
    in the four bytes around it (None: nothing, or no image was given).
    """

    core: str
    address: Address
    memory: str
    kind: str
    area: str
    also_at: tuple[Address, ...]
    word: Address | None
    hits: tuple[Hit, ...]


class AddressFacts(Struct):
    """An address, as each core sees it; ``query`` is how it was requested.

    ``meaning`` is what the number is to a core of any device, such as an exception return value, or the register that
    the layout has there; empty: an address.
    """

    query: str
    address: Address
    meaning: str
    views: tuple[View, ...]


class SeenAt(Struct):
    """Where a core finds a byte; None where it does not see that memory."""

    core: str
    address: Address | None


class SymbolDefinition(Struct):
    """One definition of a symbol.  ``stored_at`` is the plain address of its bytes in flash, if it has any there."""

    build: str
    core: str
    name: str
    kind: str
    binding: str
    size: int
    section: str
    run_address: Address
    source: str
    stored_at: Address | None
    seen: tuple[SeenAt, ...]


BUILD_OR_IMAGE = re.compile(r"\.(elf|axf|out|hex|srec|bin)\Z", re.IGNORECASE)
"""How names of files end that are no logs."""

MAX_DEFINITIONS = 1_000
"""Definitions of one name that are listed; static functions of one name are some dozens."""


class SymbolFacts(Struct):
    """A symbol, wherever a build defines it; ``query`` is how it was requested."""

    query: str
    uses: tuple[SymbolDefinition, ...]


Answer = AddressFacts | SymbolFacts


class Answers(Struct):
    """All answers, in the order of the questions."""

    addresses: tuple[AddressFacts, ...]
    symbols: tuple[SymbolFacts, ...]

    @classmethod
    def of(cls, answers: Sequence[Answer]) -> Answers:
        """The answers, those about addresses and those about symbols apart."""
        return cls(
            tuple(each for each in answers if isinstance(each, AddressFacts)),
            tuple(each for each in answers if isinstance(each, SymbolFacts)),
        )


class Way(NamedTuple):
    """How a byte of a build is reached: its run address is the requested one + ``distance``.

    ``names`` is None where the build is known from the image's record alone.
    """

    build: str
    core: str
    use: Literal["runs", "stored"]
    distance: int
    names: BuildNames | None


FoundWays = list[tuple[Sequence[str], list[Way]]]
"""Cores that find the same byte at an address, and the ways to builds there."""


class Lookup:
    """Answers questions about one device, or, without a layout, about builds that share no memory."""

    def __init__(self, inspection: Inspection | None, builds: Mapping[str, Build]) -> None:
        """``inspection`` None: there is no layout, and each build stands for a core of its name."""
        self._inspection = inspection
        self._names = {name: BuildNames(build) for name, build in builds.items()}
        self._builds = builds
        self._pieces: dict[str, SpanIndex[Piece]] = {}
        self._found: dict[tuple[str, ...], Stretches[FoundWays]] = {}

    @property
    def cores(self) -> tuple[str, ...]:
        """The cores, the primary first."""
        if self._inspection is None:
            return tuple(self._builds)
        cores = self._inspection.layout.cores.values()
        return tuple(core.name for core in sorted(cores, key=lambda core: core.role != "primary"))

    def address(self, address: int, query: str, cores: Iterable[str] | None = None) -> AddressFacts:
        """What each of ``cores`` (None: all) finds at ``address``, 0 to 2**32 - 1; bit 0 counts as any other."""
        views = tuple(self._view(core, address) for core in (self.cores if cores is None else cores))
        return AddressFacts(query, Address(address), meaning_of(address) or self._register(address), views)

    def _register(self, address: int) -> str:
        """The register that the layout has there, by what it does in a release or by its name for messages."""
        layout = self._inspection.layout if self._inspection else None
        for core in layout.cores.values() if layout else ():
            if core.release and address & ~3 == core.release.vector_register:
                return f"the register that receives the vector table's address of core {core.name}"
            if core.release and address & ~3 == core.release.control_register:
                return f"the register that releases core {core.name}"
        names = layout.rehearsal.register_names if layout and layout.rehearsal else {}
        return next((name for name, place in names.items() if place == address & ~3), "")

    def found_by(self, cores: tuple[str, ...]) -> Callable[[int], FoundWays]:
        """What gives, for an address, what builds have there for each group of ``cores`` that find the same byte.

        Without a layout, what a core finds is its own build.
        """
        if cores not in self._found and self._inspection:
            self._found[cores] = self._stretches(cores, self._inspection)
        elif cores not in self._found:
            alone: FoundWays = [((core,), [Way(core, core, "runs", 0, self._names[core])]) for core in cores]
            self._found[cores] = Stretches((), lambda _, __: alone)
        return self._found[cores].at

    def symbol(self, name: str, offset: int = 0) -> SymbolFacts:
        """Every definition of ``name``, ``offset`` bytes further on; none where no build has it.

        Raises UsageProblem for more than MAX_DEFINITIONS.
        """
        found = [(build, each) for build, names in self._names.items() for each in names.named(name)]
        if len(found) > MAX_DEFINITIONS:
            what, expected = "too many symbols have this name", f"at most {MAX_DEFINITIONS:,}"
            where = f"{name} in {', '.join(each.file for each in self._builds.values())}"
            raise UsageProblem(what, where=where, found=f"{len(found):,}", expected=expected)
        uses = [self._use(build, symbol, offset) for build, symbol in found]
        return SymbolFacts(f"{name}+{offset:#x}" if offset else name, tuple(uses))

    def unknown(self, name: str) -> Problem:
        """The problem that no build has a symbol ``name``, with the likest names."""
        if BUILD_OR_IMAGE.search(name):
            word = in_shell(name)
            return Problem(
                "this is a file's name, not a symbol",
                found=name,
                expected="NAME=BUILD for a build, --image IMAGE for an image",
                next_step=f"write NAME={word}, with the build's name in the layout, or --image {word}",
            )
        near = list(dict.fromkeys(each for names in self._names.values() for each in names.near(name)))
        searched = ", ".join(f"{build} ({each.file})" for build, each in self._builds.items())
        return Problem(
            "unknown symbol",
            where=searched or "no build given",
            found=name,
            expected="an address, or a symbol of a given build",
            next_step=f"as an address, write 0x{name}"
            if re.fullmatch(r"[0-9A-Fa-f]{4,7}", name)
            else f"nearest names: {', '.join(near[:3])}"
            if near
            else self._step_without_near(name),
        )

    def _step_without_near(self, name: str) -> str:
        """What to do about a name that is near none."""
        place, colon, rest = name.rpartition(":")
        if colon and rest.isdigit():
            return "lines of a source file are not looked up: give the function's name"
        if place and any(each.named(rest) for each in self._names.values()):
            return f"give the symbol alone: {rest}"
        if self._inspection and self._inspection.layout.builds.keys() <= self._builds.keys():
            return "check its spelling: every build of the layout is given"
        return "give the build that defines it: NAME=BUILD"

    def _core_of(self, build: str) -> str:
        return build if self._inspection is None else self._inspection.layout.builds[build].core

    def _view(self, core: str, address: int) -> View:
        hits = tuple(self._hits(core, address))
        layout = self._inspection.layout if self._inspection else None
        located = locate(layout, address, core) if layout else None
        if layout is None or located is None:
            return View(core, Address(address), "", "", "", (), None, hits)
        others = (start + located.offset for start in starts_of(located.memory, core))
        return View(
            core,
            Address(address),
            located.memory.name,
            located.memory.kind,
            next(
                (
                    area.name
                    for area in layout.areas.values()
                    if layout.span_of(area.name).holds(located.plain)
                ),
                "",
            ),
            tuple(Address(other) for other in others if other != address),
            self._word(located.plain) if located.memory.holds_image else None,
            hits,
        )

    def _hits(self, core: str, address: int) -> Iterator[Hit]:
        """What builds have where ``core`` finds ``address``."""
        for _, ways in self.found_by((core,))(address):
            for build, used_by, use, distance, names in ways:
                run = (address + distance) % ADDRESS_SPACE
                found = names.at(run) if names else NameAt(run, "", "", 0, 0, "")
                if found:
                    yield Hit(build, used_by, use, Address(run), *found[1:])

    def _stretches(self, cores: tuple[str, ...], inspection: Inspection) -> Stretches[FoundWays]:
        """What `found_by` gives: the same between the ends of memories and of builds' pieces, as the cores see them."""
        layout = inspection.layout
        spans = [each.stored for each in inspection.placed.values()]
        for build in self._names:
            pieces = inspection.placements[build].pieces
            self._pieces[build] = index_of((each.span, each) for each in pieces)
            spans += [each.span for each in pieces]
        stored = {edge for span in spans for edge in (span.start, span.end)}
        edges = {
            start + edge - memory.start
            for memory in layout.memories.values()
            for edge in (memory.start, memory.span.end, *filter(memory.span.holds, stored))
            for start in {start for core in cores for start in starts_of(memory, core)}
        }

        def ask(address: int, end: int) -> FoundWays:
            groups: dict[int | None, list[str]] = {}
            for core in cores:
                located = locate(layout, address, core)
                groups.setdefault(located.plain if located else None, []).append(core)
            return [
                (group, [] if plain is None else list(self._ways(address, end - address, plain, inspection)))
                for plain, group in groups.items()
            ]

        return Stretches(edges, ask)

    def _ways(self, address: int, size: int, plain: int, inspection: Inspection) -> Iterator[Way]:
        """The ways to builds with anything in the ``size`` bytes from there on, in the layout's order.

        A build is given as a file, or as the image's record places it.
        """
        located = locate(inspection.layout, plain)
        for build, plan in inspection.layout.builds.items():
            seen, names = _seen_at(plain, located, plan.core), self._names.get(build)
            if names is None:
                placed = inspection.placed.get(build)
                if placed and placed.stored.holds(plain):
                    run = placed.run_address(plain)
                    yield Way(build, plan.core, "runs" if run in seen else "stored", run - address, None)
                continue
            yield from (
                Way(build, plan.core, "runs", run - address, names)
                for run in seen
                if names.any_in(run, run + size)
            )
            piece = self._pieces[build].at(plain)
            run = piece.segment.run_address + plain - piece.address if piece else plain
            if piece and run not in seen:
                yield Way(build, plan.core, "stored", run - address, names)

    def _word(self, plain: int) -> Address | None:
        word = Span(plain & ~3, 4)
        inspection = self._inspection
        if inspection is None or not any(span.overlaps(word) for span in inspection.image.spans()):
            return None
        return Address(int.from_bytes(inspection.bytes_of(word), "little"))

    def _use(self, build: str, symbol: Symbol, offset: int) -> SymbolDefinition:
        names, core = self._names[build], self._core_of(build)
        run = (symbol.address + offset) % ADDRESS_SPACE
        plain, stored = self._plain(core, run), None
        if self._inspection is not None:
            pieces = self._inspection.placements[build].pieces
            stored = next(
                (
                    piece.address + run - piece.segment.run_address
                    for piece in pieces
                    if 0 <= run - piece.segment.run_address < len(piece.segment.data)
                ),
                None,
            )
        others = [each for each in self.cores if each != core] if self._inspection else []
        return SymbolDefinition(
            build,
            core,
            symbol.name,
            symbol.kind,
            symbol.binding,
            symbol.size,
            names.section(run),
            Address(run),
            names.source(run) if symbol.kind in ("function", "notype") else "",
            None if stored is None else Address(stored),
            tuple(SeenAt(each, self._seen(plain, each)) for each in others),
        )

    def _plain(self, core: str, address: int) -> int | None:
        located = locate(self._inspection.layout, address, core) if self._inspection else None
        return located.plain if located else None

    def _seen(self, plain: int | None, core: str) -> Address | None:
        if plain is None or self._inspection is None:
            return None
        return Address(_seen_at(plain, locate(self._inspection.layout, plain), core)[0])


def _seen_at(plain: int, located: Located | None, core: str) -> Sequence[int]:
    """Every address under which ``core`` reaches the byte at a plain address, which is ``located`` there."""
    if located is None:
        return (plain,)
    starts = starts_of(located.memory, core)
    return [start + located.offset for start in (starts if len(starts) == 1 else dict.fromkeys(starts))]
