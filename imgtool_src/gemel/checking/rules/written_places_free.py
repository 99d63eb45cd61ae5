"""Rule ``written-places-free``: stamps and checksums are written over nothing that a build needs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise

from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import (
    concerned,
    found_or_holds,
    needs_build,
    needs_symbol,
    segment_words,
    sized,
    symbol_at,
)
from gemel.layout.model import BuildPlan, Checksum, Stamp, SymbolPlace
from gemel.outcomes import Finding, NotChecked, Outcome
from gemel.placement.placing import Piece, Placement
from gemel.spans import Span, format_size


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each stamp and checksum, or a finding for each build that it spoils."""
    places = inspection.patches
    unknown = {place.name: place for place in places.unknown}
    for item in inspection.layout.written:
        where = f"{'stamp' if isinstance(item, Stamp) else 'checksum'} {item.name}"
        if symbol := unknown.get(item.name):
            reason: str = needs_symbol(symbol.build, symbol.symbol)
        else:
            reason = _not_seen(inspection, places.known[item.name])
        if reason:
            yield NotChecked(where, reason)
        else:
            yield from found_or_holds(_findings(inspection, where, item, places.known[item.name]), where)
    yield from _shared(places.known)


def _shared(places: Mapping[str, Span]) -> Iterator[Finding]:
    """Values that are written to the same bytes, of which symbols alone show the places."""
    by_address = sorted(places.items(), key=lambda pair: pair[1])
    for (first, span), (second, other) in pairwise(by_address):
        if span.overlaps(other):
            yield Finding(
                f"{first} and {second} are written to the same bytes",
                (first, second),
                where=f"{first} at {span}, {second} at {other}",
                found=sized(span.intersection(other)),
                expected="separate places",
                span=span.intersection(other),
                next_step=f"give {second} a place of its own in the layout (at)",
            )


def _not_seen(inspection: Inspection, place: Span) -> str:
    """Why it is not known what a build has at the place; empty if it is."""
    unseen = (plan for name, plan in inspection.layout.builds.items() if name not in inspection.placements)
    return next((needs_build(plan.name) for plan in unseen if _may_reach(inspection, plan, place)), "")


def _may_reach(inspection: Inspection, plan: BuildPlan, place: Span) -> bool:
    """Whether a build that is not given may have bytes at the place."""
    spans = inspection.layout.spans_of_build(plan)
    placed, origin = inspection.placed_with_origin.get(plan.name, (None, ""))
    if placed and origin == "record":
        spans = [placed.stored, *spans[1:]]
    return any(span.overlaps(place) for span in spans)


def _findings(inspection: Inspection, where: str, item: Stamp | Checksum, place: Span) -> Iterator[Finding]:
    name, at = item.name, item.at
    if isinstance(at, SymbolPlace):
        symbol = inspection.symbols.span_of(at.build, at.symbol)
        if symbol.size:
            if not symbol.covers(place):
                yield _over_the_symbol(where, name, at, symbol, place)
            return
    for placement in inspection.placements.values():
        for piece in placement.pieces:
            spoilt = piece.span.intersection(place)
            if spoilt.size and not _is_placeholder(inspection, piece, spoilt):
                yield _over_bytes(where, name, placement, piece, spoilt)


def _cut(piece: Piece, span: Span) -> bytes:
    return piece.segment.data[span.start - piece.address : span.end - piece.address]


def _is_placeholder(inspection: Inspection, piece: Piece, span: Span) -> bool:
    """Whether the build keeps the bytes free: all erased, or all zero."""
    return set(_cut(piece, span)) in ({inspection.erased_byte_at(span.start)}, {0})


def _over_the_symbol(where: str, name: str, at: SymbolPlace, symbol: Span, place: Span) -> Finding:
    return Finding(
        f"{where} runs over the end of the symbol that it is written to",
        (name, at.build),
        where=f"{where}, symbol {at.symbol} of build {at.build}",
        found=sized(place),
        expected=f"inside {sized(symbol)}",
        span=place,
        next_step="correct its width or offset, or declare the symbol as large as the value",
    )


def _over_bytes(where: str, name: str, placement: Placement, piece: Piece, spoilt: Span) -> Finding:
    plan, build = placement.plan, placement.build
    symbol = symbol_at(build, piece.segment.run_address + spoilt.start - piece.address)
    return Finding(
        f"{where} is written over bytes of build {plan.name}",
        concerned(name, plan.name, plan.core, plan.stored_in),
        where=f"{where} at {sized(spoilt)}",
        found=f"{_cut(piece, spoilt).hex(' ')} in {segment_words(build, piece.segment)}"
        + (f", in {symbol}" if symbol else ""),
        expected=f"{format_size(spoilt.size)} that the build keeps free: erased, zero, or no bytes of it at all",
        span=spoilt,
        next_step=f"end build {plan.name} before that place in its linker script, or move the place; where the bytes "
        "are meant for it, give the place as a symbol",
    )


RULE = Rule(
    name="written-places-free",
    severity="error",
    guards="device",
    checks="At the place of each stamp and checksum, no other stamp or checksum is written, and no given build stores "
    "bytes other than erased ones or zeros, or the place is inside the symbol that it is given by.",
    why="The value replaces what the build has there. Where code or data grew into the place, often the last "
    "word of an area, the device runs into the bytes of a checksum as if they were instructions; a value "
    "wider than its symbol changes the constant after it. Every checksum still matches.",
    remedy="Keep the place out of the memory region that the linker script gives the build, or give the "
    "value a symbol of its own.",
    source="common practice",
    absent="the layout has no stamp and no checksum",
    check=check,
)
