"""What each core finds at an address, and where each core finds a symbol."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Literal

from gemel.errors import Problem, UsageProblem
from gemel.layout.addresses import Located, locate, starts_of
from gemel.lookup.build_names import BuildNames, NameAt
from gemel.lookup.span_index import SpanIndex
from gemel.spans import ADDRESS_SPACE, Address, Span
from gemel.structs import Struct

if TYPE_CHECKING:
    from gemel.builds.build import Build
    from gemel.builds.elf.symbol_entries import Symbol
    from gemel.inspection.inspection import Inspection
    from gemel.placement.placing import Piece

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
    """An address, as each core sees it; ``query`` is how it was requested."""

    query: str
    address: Address
    views: tuple[View, ...]


class SeenAt(Struct):
    """Where a core finds a byte; None where it does not see that memory."""

    core: str
    address: Address | None


class SymbolUse(Struct):
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


MOST_DEFINITIONS = 1_000
"""Definitions of one name that are listed; static functions of one name are some dozens."""


class SymbolFacts(Struct):
    """A symbol, wherever a build defines it; ``query`` is how it was requested."""

    query: str
    uses: tuple[SymbolUse, ...]


Answer = AddressFacts | SymbolFacts


class Answers(Struct):
    """All answers, in the order of the questions."""

    addresses: tuple[AddressFacts, ...]
    symbols: tuple[SymbolFacts, ...]


class Lookup:
    """Answers questions about one device, or, without a layout, about builds that share no memory."""

    def __init__(self, inspection: Inspection | None, builds: Mapping[str, Build]) -> None:
        """``inspection`` None: there is no layout, and each build stands for a core of its name."""
        self._inspection = inspection
        self._names = {name: BuildNames(build) for name, build in builds.items()}
        self._builds = builds
        self._stored: dict[str, SpanIndex[Piece]] = {}

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
        return AddressFacts(query, Address(address), views)

    def hits(self, address: int, cores: Iterable[str]) -> dict[str, Sequence[Hit]]:
        """What builds have at ``address`` by core, without all else that `address` says."""
        if self._inspection is None:
            return {core: self._hits_seen(core, address) for core in cores}
        located = {core: locate(self._inspection.layout, address, core) for core in cores}
        plain = {core: each.plain if each else None for core, each in located.items()}
        hits = {each: self._hits_at(each) for each in dict.fromkeys(plain.values())}
        return {core: hits[each] for core, each in plain.items()}

    def symbol(self, name: str, offset: int = 0) -> SymbolFacts:
        """Every definition of ``name``, ``offset`` bytes further on; none where no build has it.

        Raises UsageProblem for more than MOST_DEFINITIONS.
        """
        found = [(build, each) for build, names in self._names.items() for each in names.named(name)]
        if len(found) > MOST_DEFINITIONS:
            what, expected = "too many symbols have this name", f"at most {MOST_DEFINITIONS:,}"
            where = f"{name} in {', '.join(each.file for each in self._builds.values())}"
            raise UsageProblem(Problem(what, where=where, found=f"{len(found):,}", expected=expected))
        uses = [self._use(build, symbol, offset) for build, symbol in found]
        return SymbolFacts(f"{name}+{offset:#x}" if offset else name, tuple(uses))

    def unknown(self, name: str) -> Problem:
        """The problem that no build has a symbol ``name``, with the likest names."""
        if "." in name and name.rpartition(".")[2].lower() in ("elf", "axf", "out", "hex", "srec", "bin"):
            return Problem(
                "this is a file's name, not a symbol",
                found=name,
                expected="NAME=BUILD for a build, --image IMAGE for an image",
                next_step=f"write NAME={name}, with the build's name in the layout",
            )
        near = list(dict.fromkeys(each for names in self._names.values() for each in names.near(name)))
        searched = ", ".join(f"{build} ({each.file})" for build, each in self._builds.items())
        return Problem(
            "unknown symbol",
            where=searched or "no build given",
            found=name,
            expected="an address, or a symbol of a given build",
            next_step=f"nearest names: {', '.join(near[:3])}"
            if near
            else "give the build that defines it: NAME=BUILD",
        )

    def _core_of(self, build: str) -> str:
        return build if self._inspection is None else self._inspection.layout.builds[build].core

    def _view(self, core: str, address: int) -> View:
        hits = self._hits_seen(core, address)
        layout = self._inspection.layout if self._inspection else None
        located = locate(layout, address, core) if layout else None
        if layout is None or located is None:
            return View(core, Address(address), "", "", "", (), None, tuple(hits))
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
            tuple(hits),
        )

    def _hits_seen(self, core: str, address: int) -> Sequence[Hit]:
        """What builds have where ``core`` finds ``address``; without a layout what its own build has there."""
        if self._inspection is None:
            return _hits(core, core, "runs", self._names[core].at(address))
        located = locate(self._inspection.layout, address, core)
        return self._hits_at(located.plain if located else None)

    def _hits_at(self, plain: int | None) -> list[Hit]:
        """What the builds of the layout have at a plain address; nothing outside of memories."""
        if plain is None or self._inspection is None:
            return []
        layout, hits = self._inspection.layout, list[Hit]()
        located = locate(layout, plain)
        for build, plan in layout.builds.items():
            hits += self._hits_of(build, plan.core, plain, located)
        return hits

    def _word(self, plain: int) -> Address | None:
        word = Span(plain & ~3, 4)
        inspection = self._inspection
        if inspection is None or not any(span.overlaps(word) for span in inspection.image.spans()):
            return None
        return Address(int.from_bytes(inspection.bytes_of(word), "little"))

    def _hits_of(self, build: str, core: str, plain: int, located: Located | None) -> list[Hit]:
        """What a build has at a plain address: given as a file, or as the image's record places it."""
        inspection = self._inspection
        if inspection is None:
            return []
        names = self._names.get(build)
        if names is None:
            placed = inspection.placed.get(build)
            if placed is None or not placed.stored.holds(plain):
                return []
            run = placed.run_address(plain)
            use: Literal["runs", "stored"] = "runs" if run in _seen_at(plain, located, core) else "stored"
            return [Hit(build, core, use, Address(run), "", "", 0, 0, "")]
        hits: list[Hit] = []
        for address in _seen_at(plain, located, core):
            hits += _hits(build, core, "runs", names.at(address))
        if piece := self._pieces(build).at(plain):
            run = piece.segment.run_address + plain - piece.address
            if all(hit.run_address != run for hit in hits):
                hits += _hits(build, core, "stored", names.at(run))
        return hits

    def _pieces(self, build: str) -> SpanIndex[Piece]:
        """The pieces of a given build by where they are stored."""
        if build not in self._stored and self._inspection:
            pieces = self._inspection.placements[build].pieces
            self._stored[build] = SpanIndex((each.span, each) for each in pieces)
        return self._stored[build]

    def _use(self, build: str, symbol: Symbol, offset: int) -> SymbolUse:
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
        return SymbolUse(
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


def _hits(build: str, core: str, use: Literal["runs", "stored"], found: NameAt | None) -> tuple[Hit, ...]:
    if found is None:
        return ()
    hit = Hit(
        build,
        core,
        use,
        Address(found.address),
        found.section,
        found.symbol,
        found.offset,
        found.size,
        found.source,
    )
    return (hit,)
