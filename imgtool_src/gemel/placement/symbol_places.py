"""Where in the image a build's symbol is, for stamps, checksums and constants that rules look at."""

from __future__ import annotations

from collections.abc import Mapping

from gemel.errors import GemelError, Problem, nearest_hint
from gemel.placement.placing import Placement
from gemel.spans import Span, format_address


class SymbolNotPlaced(GemelError):
    """A symbol's place in the image cannot be known: no build, no symbol table, no such symbol, no bytes."""

    exit_code = 1


class SymbolPlaces:
    """Finds plain addresses of symbols in placed builds; a `SymbolLookup`."""

    def __init__(self, placements: Mapping[str, Placement]) -> None:
        """Take the given builds; others are reported as not given when requested."""
        self._placements = placements

    def __call__(self, build: str, symbol: str) -> int:
        """The plain address of the first byte that ``symbol`` names; raises SymbolNotPlaced."""
        return self.span_of(build, symbol).start

    def is_ambiguous(self, build: str, symbol: str) -> bool:
        """Whether ``symbol`` is known to be at one of several places; ``span_of`` gives the first of them."""
        placement = self._placements.get(build)
        return placement is not None and len(placement.build.places.get(symbol, ())) > 1

    def span_of(self, build: str, symbol: str) -> Span:
        """The plain span of ``symbol`` (size as its table says, 0 if unknown); raises SymbolNotPlaced."""
        placement = self._placements.get(build)
        if placement is None:
            raise SymbolNotPlaced(_no_table(build, f"build {build}", "no ELF file of it was given"))
        if known := placement.build.places.get(symbol):
            return known[0]
        where = f"build {build} ({placement.build.file})"
        if placement.build.symbols is None:
            reason = placement.build.reason_for("symbols")
            raise SymbolNotPlaced(_no_table(build, where, reason))
        found = [each for each in placement.build.symbols.named(symbol) if each.defined]
        spans = {
            Span(each.address & ~1 if each.kind == "function" else each.address, each.size) for each in found
        }
        if len({span.start for span in spans}) != 1:
            words = f"{len(spans)} symbols of this name" if spans else "no such symbol"
            hint = (
                "rename all but one of them in the build's sources" if spans else _nearest(placement, symbol)
            )
            what = f"symbol {symbol} of build {build} cannot be placed"
            raise SymbolNotPlaced(what, where=where, found=words, expected="one symbol", next_step=hint)
        run = max(spans)
        for piece in placement.pieces:
            offset = run.start - piece.segment.run_address
            if 0 <= offset < len(piece.segment.data):
                return Span(piece.address + offset, run.size)
        raise SymbolNotPlaced(
            f"symbol {symbol} of build {build} has no bytes in the image",
            where=where,
            found=format_address(run.start),
            expected="an address in stored bytes",
            next_step="only stored bytes can hold a value: make it initialised, read-only data",
        )


def _nearest(placement: Placement, symbol: str) -> str:
    """The nearest name there is, or why a symbol of the source may not be there."""
    symbols = placement.build.symbols
    names = sorted({each.name for each in symbols.all() if each.defined}) if symbols else ()
    return nearest_hint(symbol, names) or (
        "what nothing uses is dropped at link: mark it used, or keep its section in the linker script"
    )


def _no_table(build: str, where: str, found: str) -> Problem:
    """What is wrong where no symbol of a build can be looked up, the same for each of them."""
    return Problem(
        f"the symbols of build {build} cannot be looked up",
        where=where,
        found=found or "it has no symbols",
        expected="an ELF file with the symbols that the layout names",
        next_step=f"give its whole ELF file: {build}=FILE.elf",
    )
