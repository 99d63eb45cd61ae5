"""What a draft guesses of areas and memories, and how large a memory around its areas is."""

from __future__ import annotations

from collections.abc import Sequence

from gemel.draft.page import ASK
from gemel.draft.pieces import DraftMemoryKind, Group, power_of_two
from gemel.draft.regions import LinkRegion, words_of
from gemel.spans import Span, align_down, format_address, format_size
from gemel.structs import Struct

MEMORY_START = 64 << 10
"""Bytes to a multiple of which the start of a memory is rounded down."""


class AreaGuess(Struct):
    """One area: whose it is (empty: of all), and in words what it was guessed from.

    ``security`` says how a core with the security extension sees it; empty where nothing shows.
    """

    name: str
    span: Span
    purpose: str
    owner: str
    reason: str
    memory: str = ""
    security: str = ""


class MemoryGuess(Struct):
    """One memory, and in words where its start and size come from; ``aliases`` are other starts of it."""

    name: str
    kind: DraftMemoryKind
    span: Span
    users: tuple[str, ...]
    start_from: str
    size_from: str
    aliases: tuple[int, ...] = ()

    @property
    def windows(self) -> list[Span]:
        """Every stretch of addresses that it is seen at."""
        return [self.span, *(Span(start, self.span.size) for start in self.aliases)]


class Places(Struct):
    """All memories by address and all areas, flash first."""

    memories: tuple[MemoryGuess, ...]
    areas: tuple[AreaGuess, ...]

    def of(self, owner: str, purpose: str, kind: DraftMemoryKind) -> list[AreaGuess]:
        """The areas of one owner and purpose in memories of one kind."""
        kinds = {memory.name: memory.kind for memory in self.memories}
        return [
            area
            for area in self.areas
            if (area.owner, area.purpose) == (owner, purpose) and kinds[area.memory] == kind
        ]


def whole_region(
    group: Group, own: list[AreaGuess], floor: int, regions: Sequence[LinkRegion]
) -> LinkRegion | None:
    """The smallest region that is the memory of a group: it covers all pieces and areas, and no other's."""
    spans = [*(piece.span for piece in group.pieces), *(area.span for area in own)]
    fit = (
        region
        for region in regions
        if floor <= region.span.start and region.span.end <= group.limit
        if all(region.span.covers(span) for span in spans)
    )
    return min(fit, key=lambda region: region.span.size, default=None)


def memory_around(
    name: str, group: Group, own: list[AreaGuess], floor: int, whole: LinkRegion | None
) -> MemoryGuess:
    """The memory around areas: the region that is ``whole``, where there is one."""
    if whole:
        words = words_of(whole)
        users = tuple(dict.fromkeys(piece.owner for piece in group.pieces if piece.owner))
        return MemoryGuess(name, group.kind, whole.span, users, words, "as its start")
    return _rounded_memory(name, group, own, floor)


def _rounded_memory(name: str, group: Group, own: list[AreaGuess], floor: int) -> MemoryGuess:
    first = min([group.start, *(area.span.start for area in own)])
    end = max([group.end, *(area.span.end for area in own)])
    start = max(align_down(first, MEMORY_START), floor)
    least = 4 << 10 if group.kind == "device" else 1 << 10
    size = min(power_of_two(end - start, least), group.limit - start)
    size = max(size, end - start)
    users = tuple(dict.fromkeys(piece.owner for piece in group.pieces if piece.owner))
    what = {"flash": "stored bytes", "ram": "RAM", "device": "registers"}[group.kind]
    used = f"the lowest {what} of {' and '.join(users) or 'the builds'}, {format_address(first)}"
    start_from = used + ("" if start == first else ", rounded down")
    size_from = f"{format_size(end - start)} of areas" + ("" if size == end - start else ", rounded up")
    size_from += f"; {ASK} how large is it?"
    return MemoryGuess(name, group.kind, Span(start, size), users, start_from, size_from)
