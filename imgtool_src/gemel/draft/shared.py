"""RAM that builds share: symbols of one name at one address, and segments without bytes at one address."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from gemel.draft.evidence import Evidence, can_be_named
from gemel.inspection.code.far_accesses import accesses_of
from gemel.m_profile.memory_map import DEVICE_REGIONS, region_of
from gemel.spans import Span, merge
from gemel.structs import NamedTuple

OF_ONE_BUILD = re.compile(r"\.?[st]?(bss|data|noinit|common|heap|stack|ram|dma|persist)", re.IGNORECASE)
"""Sections that each build has of its own, whatever the names of the objects there."""


class Shared(NamedTuple):
    """A stretch of RAM that several builds use, and the symbols in it that they have in common."""

    span: Span
    symbols: tuple[str, ...]
    builds: tuple[str, ...]


def find_shared(all_seen: list[Evidence]) -> list[Shared]:
    """Every shared stretch, by address."""
    symbols, reached = _common_symbols(all_seen), list(_reached(all_seen))
    spans = [*(span for span, _, _ in symbols), *(span for span, _ in reached)]
    spans += _common_segments(all_seen)
    result = []
    moved = _at_several_addresses(all_seen)
    for span in merge(_grown(span, all_seen) for span in spans):
        inside = [(name, builds) for where, name, builds in symbols if span.covers(where)]
        users = [seen.name for seen in all_seen if any(claim.overlaps(span) for claim in seen.ram)]
        named = [build for _, builds in inside for build in builds]
        named += [build for where, builds in reached if span.covers(where) for build in builds]
        fit = [name for name, _ in inside if name not in moved and can_be_named(name)]
        result.append(Shared(span, tuple(dict.fromkeys(fit)), tuple(dict.fromkeys([*users, *named]))))
    return result


def _common_symbols(all_seen: list[Evidence]) -> list[tuple[Span, str, tuple[str, ...]]]:
    """Objects of one name that two builds or more have at one address outside all stored bytes.

    One that only some of them have a size of is a number of the others' linker scripts.
    """
    found: dict[tuple[str, int], dict[str, int]] = {}
    for seen in all_seen:
        for name, span in _objects(seen):
            sizes = found.setdefault((name, span.start), {})
            sizes[seen.name] = max(span.size, sizes.get(seen.name, 0))
    return sorted(
        (Span(address, max(sizes.values())), name, tuple(sizes))
        for (name, address), sizes in found.items()
        if len(sizes) > 1 and any(sizes.values())
    )


def _at_several_addresses(all_seen: list[Evidence]) -> set[str]:
    """Names that not all builds have at the same address: no contract can name those."""
    first: dict[str, int] = {}
    return {
        name
        for seen in all_seen
        for name, span in _objects(seen)
        if first.setdefault(name, span.start) != span.start
    }


def named_apart(all_seen: list[Evidence]) -> dict[str, dict[str, int]]:
    """Objects of one name that builds have at several addresses, by build, in sections that linkers do not make.

    In one build it may be a number of the linker script, in no section.
    """
    found: dict[str, dict[str, int]] = {}
    objects = set()
    for seen in all_seen:
        sections = [each for each in seen.build.all_sections if each.allocated]
        own = [each.span for each in sections if not OF_ONE_BUILD.match(each.name)]
        for name, span in _objects(seen):
            in_own = span.size and any(each.covers(span) for each in own)
            if in_own or not (span.size or any(each.span.holds(span.start) for each in sections)):
                found.setdefault(name, {})[seen.name] = span.start
            if in_own:
                objects.add(name)
    return {
        name: places for name, places in found.items() if name in objects and len(set(places.values())) > 1
    }


def _objects(seen: Evidence) -> Iterable[tuple[str, Span]]:
    """Objects and labels, which have no size, by name: what is neither stored nor another core's alone."""
    if seen.build.symbols is None:
        return
    taken = [*seen.stored, *([seen.block] if seen.block else [])]
    for symbol in seen.build.symbols.all():
        has_place = symbol.size if symbol.kind == "object" else symbol.kind == "notype"
        if not has_place or symbol.binding == "local" or not symbol.defined:
            continue
        elsewhere = any(span.overlaps(symbol.span) or span.holds(symbol.address) for span in taken)
        if not elsewhere and not seen.hides(symbol.address) and not region_of(DEVICE_REGIONS, symbol.address):
            yield symbol.name, symbol.span


def _reached(all_seen: list[Evidence]) -> Iterator[tuple[Span, tuple[str, ...]]]:
    """Sections without bytes that one build has, and that code of another one loads from or stores to by its address.

    Each of the two cores is linked for them, or has a number of it in its source.
    """
    for owner in all_seen:
        spans = [
            each.span
            for each in owner.build.all_sections
            if each.allocated and not each.stored and not OF_ONE_BUILD.match(each.name)
            if any(claim.covers(each.span) for claim in owner.ram) and each.span.size
        ]
        for other in all_seen if spans else ():
            if (
                other is owner
                or other.build.symbols is None
                or any(map(other.hides, (s.start for s in spans)))
            ):
                continue
            for loads in (True, False):
                for access in accesses_of(other.build, spans, loads=loads, is_baseline=True):
                    yield from ((s, (owner.name, other.name)) for s in spans if s.holds(access.target))


def _common_segments(all_seen: list[Evidence]) -> list[Span]:
    """Stretches of segments without stored bytes that start and end alike in two builds."""
    counts: dict[Span, set[str]] = {}
    for seen in all_seen:
        for span in (span for segment in seen.build.segments for span in segment.taken_unstored):
            if any(claim.covers(span) for claim in seen.ram):
                counts.setdefault(span, set()).add(seen.name)
    return [span for span, names in counts.items() if len(names) > 1]


def _grown(span: Span, all_seen: list[Evidence]) -> Span:
    """``span`` with the stretch around it, where that starts at one address in every build that has it."""
    around = [
        stretch
        for seen in all_seen
        for segment in seen.build.segments
        for stretch in (
            segment.taken_unstored if segment.run_address == segment.load_address else segment.taken
        )
        if stretch.covers(span)
    ]
    if len(around) > 1 and len({each.start for each in around}) == 1:
        return max(around, key=lambda each: each.size)
    return span
