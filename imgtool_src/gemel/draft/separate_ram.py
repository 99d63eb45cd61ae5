"""RAM that two cores see at one address and each has of its own, as tightly coupled memories are.

Two builds that begin with one stack, or that have variables in one stretch of RAM near to their stacks, cannot share
it.  In the draft the second one's is a memory at another address, which its core sees where it is linked for.
"""

from __future__ import annotations

import re
from collections.abc import Container
from functools import cached_property
from itertools import pairwise

from gemel.draft.evidence import GAP, Evidence
from gemel.m_profile.memory_map import SRAM
from gemel.spans import Span, align_down, align_up, merge

WINDOW = 1 << 24
"""The other address is a multiple of this."""

UNIT = 1 << 16
"""The stretch of addresses that is seen apart starts and ends on a multiple of this."""

CLEARED = (".bss", "bss", ".sbss")
"""Sections that start-up code clears (usual names, from memory)."""


class SeparateRam(Evidence):
    """A build whose RAM in ``window`` is its own, and is reported ``distance`` bytes further."""

    window: Span = Span(0, 0)
    distance: int = 0

    @cached_property
    def _raw(self) -> Evidence:
        return Evidence(self.build, self.kept)

    @cached_property
    def ram(self) -> list[Span]:
        """What it claims of RAM."""
        return [
            claim.moved(self.distance if self.window.holds(claim.start) else 0) for claim in self._raw.ram
        ]

    @cached_property
    def block(self) -> Span | None:
        """The RAM that a moved build is copied to."""
        found = self._raw.block
        return found.moved(self.distance) if found and self.window.holds(found.start) else found

    @property
    def initial_stack(self) -> int | None:
        """Its initial stack pointer."""
        top = self._raw.initial_stack
        return top + self.distance if top and self.window.holds(top - 1) else top

    @property
    def edges(self) -> tuple[int, ...]:
        """Where the memory of other builds ends, and the one of its own."""
        there = self.window.moved(self.distance)
        return (self.window.start, self.window.end, there.start, there.end)

    def hides(self, address: int) -> bool:
        """Whether other builds have something else at this address."""
        return self.window.holds(address)


def views_of(all_seen: list[Evidence], memory: Span) -> dict[str, int]:
    """Where the cores of builds with RAM apart see a memory, by the builds' names; nothing for the others."""
    views = {}
    for seen in all_seen:
        if isinstance(seen, SeparateRam):
            if memory.overlaps(seen.window):
                views[seen.name] = memory.start + seen.distance
            elif memory.overlaps(seen.window.moved(seen.distance)):
                views[seen.name] = memory.start - seen.distance
    return views


def are_seen_once(all_seen: list[Evidence], memories: list[Span]) -> bool:
    """Whether every core sees each memory where it sees no other."""
    for seen in all_seen:
        spans = sorted(
            Span(views_of([seen], each).get(seen.name, each.start), each.size) for each in memories
        )
        if any(one.overlaps(other) for one, other in pairwise(spans)):
            return False
    return True


def with_separate_ram(all_seen: list[Evidence], loaders: Container[str] = ()) -> list[Evidence]:
    """The builds, the first of them as it is; those that cannot share its RAM with that of their own apart.

    ``loaders`` run on the core of another build, and have its RAM before it does.
    """
    first, *others = all_seen
    found = [first]
    taken = [claim for seen in all_seen for claim in (*seen.ram, *seen.stored)]
    for seen in others:
        window = Span(0, 0) if seen.name in loaders else _window(first, seen)
        free = next(
            (
                start
                for start in range(SRAM.start + WINDOW, SRAM.end - WINDOW, WINDOW)
                if window.size <= WINDOW and not any(Span(start, WINDOW).overlaps(each) for each in taken)
            ),
            None,
        )
        if not window.size or free is None:
            found.append(seen)
            continue
        separate = SeparateRam(seen.build, seen.kept, window=window, distance=free - window.start)
        taken += [Span(free, WINDOW)]
        found.append(separate)
    return found


def _window(first: Evidence, second: Evidence) -> Span:
    """The addresses at which two builds have RAM that they cannot share; empty if there are none."""
    tops = [seen.initial_stack for seen in (first, second)]
    if first.moved or second.moved or None in tops:  # what is copied is where the other core sees it
        return Span(0, 0)
    alike = tops[0] == tops[1]
    mine, theirs = (seen.ram if alike else _private(seen) for seen in (first, second))
    both = [one.intersection(other) for one in mine for other in theirs if one.overlaps(other)]
    if not both:
        return Span(0, 0)
    start = align_down(both[0].start, UNIT)
    claims = merge([*first.ram, *second.ram, *(Span(top - 8, 8) for top in tops if top)])
    end = start
    for claim in claims:
        if start <= claim.start < align_up(max(end, start + 1), UNIT):
            end = max(end, claim.end)
    end = min([align_up(end, UNIT), *(at for at in _common(first, second) if at >= start)])
    window = Span.from_bounds(start, end)
    return window if all(top and window.holds(top - 1) for top in tops) else Span(0, 0)


def _private(seen: Evidence) -> list[Span]:
    """The RAM that start-up code fills with what is stored elsewhere, and that it clears, by its usual name."""
    found = [
        segment.stored_run
        for segment in seen.build.stored
        if segment.run_address != segment.load_address and SRAM.holds(segment.run_address)
    ]
    sections = seen.build.all_sections
    return found + [
        section.span
        for section in sections
        if section.allocated and section.name in CLEARED and SRAM.holds(section.span.start)
    ]


def _common(first: Evidence, second: Evidence) -> set[int]:
    """Where sections start that two builds have alike, with a gap to the variables of both: what they share."""
    found: list[set[Span]] = []
    for seen in (first, second):
        variables, sections = _private(seen), seen.build.all_sections
        beside = [run for run in merge(seen.ram, GAP) if any(run.overlaps(each) for each in variables)]
        unstored = [each for each in sections if each.allocated and each.writable and not each.stored]
        named = [each for each in unstored if not re.search("stack|heap|stk", each.name, re.IGNORECASE)]
        found.append(
            {
                each.span
                for each in named
                if each.span.size and not any(run.overlaps(each.span) for run in beside)
            }
        )
    return {span.start for span in found[0] & found[1]}
