"""From the evidence of all builds to areas and memories: who gets which stretch, and how much room."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from gemel.draft.evidence import Evidence
from gemel.draft.guesses import MEMORY_START, AreaGuess, MemoryGuess, Places, memory_around, whole_region
from gemel.draft.page import ASK
from gemel.draft.pieces import Group, PurposeSpan, combined, groups_of, power_of_two
from gemel.draft.regions import LinkRegion, region_for, words_of
from gemel.draft.security import CALLABLE, NOTHING_SECURE, Security
from gemel.draft.shared import Shared
from gemel.errors import UsageProblem
from gemel.inspection.cores.secure_builds import VECTOR_UNIT
from gemel.layout.checks.areas import MIN_VECTORS_SIZE
from gemel.m_profile.memory_map import STATE_BIT
from gemel.spans import Span, align_down, align_up, without
from gemel.structs import replace

MAX_MEMORIES = 64
"""Memories of one device, as many as a layout takes."""


STACK_WORDS = 8
"""Bytes that stand for a stack of which no build shows more than its first address."""

MIN_FLASH_SIZE, MIN_RAM_SIZE, BLOCK = 4 << 10, 1 << 10, 4 << 10
"""Smallest areas that are guessed, and the bytes on which areas start that no build has a place for."""


def pieces_of(
    all_seen: list[Evidence], primary: str, shared: list[Shared], security: Security = NOTHING_SECURE
) -> list[PurposeSpan]:
    """Who uses what, no byte twice: a secondary's bytes before the primary's copy, then what is shared."""
    pieces: list[PurposeSpan] = []
    flash: list[Span] = []
    for name, spans in security.veneers.items():
        pieces += [PurposeSpan(span, "veneers", name) for span in without(spans, flash)]
        flash += spans
    for seen in sorted(all_seen, key=lambda seen: seen.name == primary):
        pieces += [PurposeSpan(span, "stored", seen.name) for span in without(seen.stored, flash)]
        flash += seen.stored
    common = without([each.span for each in shared], flash)
    pieces += [PurposeSpan(span, "shared", "") for span in common]
    taken = [*common, *flash]
    for seen in all_seen:
        if seen.block:
            pieces += [PurposeSpan(span, "runs", seen.name) for span in without([seen.block], taken)]
            taken.append(seen.block)
    own: list[PurposeSpan] = []
    for seen in all_seen:
        own += [PurposeSpan(span, "own", seen.name) for span in without(seen.ram, taken)]
        taken += seen.ram
    own += _stacks(all_seen, taken)
    own = [each._replace(owner=security.loaders.get(each.owner, each.owner)) for each in own]
    pieces += own
    registers = without([span for seen in all_seen for span in seen.devices], taken)
    pieces += [PurposeSpan(span, "registers", "") for span in registers]
    return combined(pieces)


def _stacks(all_seen: list[Evidence], taken: list[Span]) -> Iterator[PurposeSpan]:
    """Where stacks begin that no segment claims; all RAM up to them for builds that show no RAM at all."""
    for seen in sorted(all_seen, key=lambda seen: seen.initial_stack or 0):
        top = seen.initial_stack
        if not top:
            continue
        start = top - STACK_WORDS if seen.ram else align_down(top - 1, MEMORY_START)
        if free := without([Span.from_bounds(start, top)], taken):
            yield PurposeSpan(free[-1], "own", seen.name)
            taken.append(free[-1])


def guess_places(
    all_seen: list[Evidence],
    primary: str,
    shared: list[Shared],
    security: Security = NOTHING_SECURE,
    regions: Sequence[LinkRegion] = (),
    found: Sequence[PurposeSpan] = (),
) -> Places:
    """Areas around the pieces, memories around the areas; ``found`` is what an image has besides builds."""
    pieces = pieces_of(all_seen, primary, shared, security)
    for piece in found:
        free = without([piece.span], _spans(pieces))
        pieces = combined([*pieces, *(piece._replace(span=span) for span in free)])
    groups = groups_of(pieces, MEMORY_START, {edge for seen in all_seen for edge in seen.edges})
    if len(groups) > MAX_MEMORIES:
        raise UsageProblem(
            "the builds are scattered over too many places",
            found=f"bytes and RAM in {len(groups):,} stretches far from each other",
            expected=f"at most {MAX_MEMORIES}, as memories of one device",
            next_step="look for files that are no builds, or for implausible addresses in them",
        )
    areas: list[AreaGuess] = []
    memories: list[MemoryGuess] = []
    names = _Names()
    showing = {seen.name for seen in all_seen if seen.ram}
    housed = {piece.owner for piece in pieces if piece.use == "stored"}
    homeless = [seen for seen in all_seen if seen.name not in housed]
    home = _first_flash(groups, primary)
    floor = 0
    for group in groups:
        alike = [each for each in groups if each.kind == group.kind]
        name = group.kind if len(alike) == 1 else f"{group.kind}-{alike.index(group) + 1}"
        own = list(_areas(group, floor, names, showing, security, regions)) if group.kind != "device" else []
        end = max((area.span.end for area in own), default=group.end)
        whole = whole_region(group, own, floor, regions)
        if group is home:
            limit = whole.span.end if whole else group.limit
            own += _further(homeless, group, end, names)
            own += _proposed(own, limit, names)
        if whole and not all(whole.span.covers(area.span) for area in own):
            whole = None
        memory = memory_around(name, group, own, floor, whole)
        areas += [replace(area, memory=memory.name) for area in own]
        memories.append(memory)
        floor = memory.span.end
    flash = {memory.name for memory in memories if memory.kind == "flash"}
    fit = (area for area in areas if area.span.size >= MIN_VECTORS_SIZE and area.security != CALLABLE)
    kept = {area.owner for area in fit if area.memory in flash}
    left = [seen for seen in all_seen if seen.name not in kept]
    if left or not flash:
        _made_up(left, memories, areas, names)
    order = {memory.name: (memory.kind != "flash", memory.span.start) for memory in memories}
    areas.sort(key=lambda area: (order[area.memory], area.span.start))
    return attributed(Places(tuple(memories), tuple(areas)), security)


def attributed(places: Places, security: Security) -> Places:
    """The same with the security of each area whose owner shows it, and the aliases of memories."""
    areas = (
        replace(area, security=area.security or security.attribution(area.owner)) for area in places.areas
    )
    memories = (
        replace(memory, aliases=(memory.span.start ^ STATE_BIT,))
        if any(memory.kind in security.seen_twice(user) for user in memory.users)
        else memory
        for memory in places.memories
    )
    return Places(tuple(memories), tuple(areas))


class _Names:
    """Names of at most 23 characters, each given out once."""

    def __init__(self) -> None:
        self._given: set[str] = set()

    def new(self, owner: str, what: str) -> str:
        """``owner-what``, with a number after it where that is taken."""
        number = 1
        while True:
            tail = f"-{what}" if owner else what
            tail += f"-{number}" if number > 1 else ""
            name = owner[: 23 - len(tail)] + tail
            if name not in self._given:
                self._given.add(name)
                return name
            number += 1


def _first_flash(groups: list[Group], primary: str) -> Group | None:
    flash = [group for group in groups if group.kind == "flash"]
    own = [group for group in flash if any(piece.owner == primary for piece in group.pieces)]
    return next(iter(own or flash), None)


def _areas(
    group: Group,
    floor: int,
    names: _Names,
    showing: set[str],
    security: Security,
    regions: Sequence[LinkRegion],
) -> Iterator[AreaGuess]:
    """One area for each piece, with room up to the next or a round size; ``showing``: who shows RAM."""
    for index, piece in enumerate(group.pieces):
        following = group.pieces[index + 1] if index + 1 < len(group.pieces) else None
        limit = following.span.start if following else group.limit
        unit = VECTOR_UNIT if security.attribution(piece.owner) else 1
        known = piece.owner or piece.use == "shared"
        region = region_for(regions, piece.owner, piece.span) if known else None
        inside = [other for other in group.pieces if region and region.span.overlaps(other.span)]
        if any(other.owner != piece.owner or not other.owner for other in inside if other is not piece):
            region = None
        elif region and following in inside:  # such as code that is copied to RAM, and its data after it
            part = Span.from_bounds(region.span.start, following.span.start)
            region = region._replace(span=part, source=f"part of {region.source}")
        area = _area(piece, following, floor, limit, names, unit, region)
        if piece.use == "own" and group.kind == "ram" and group.end - group.start <= STACK_WORDS:
            question = (
                f"{ASK} is RAM there? Nothing but the initial stack pointer of {piece.owner} leads to it"
            )
            area = replace(area, reason=f"{area.reason}; {question}")
        if piece.use == "own" and piece.owner not in showing:
            area = replace(area, reason=f"the RAM below {piece.owner}'s initial stack pointer")
        yield area
        floor = min(max(area.span.end, piece.span.end), limit)


def _area(
    piece: PurposeSpan,
    following: PurposeSpan | None,
    floor: int,
    limit: int,
    names: _Names,
    unit: int,
    region: LinkRegion | None,
) -> AreaGuess:
    """The area around one piece, in whole ``unit`` if possible, not below ``floor`` nor beyond ``limit``.

    Where ``region`` is what the linker script has for the piece alone, that is the area.
    """
    start, room = max(align_down(piece.span.start, unit), floor), "room up to a power of two"
    if region:
        start, end, room = max(region.span.start, floor), region.span.end, words_of(region)
    elif piece.use == "own":
        start, room = max(align_down(start, MIN_RAM_SIZE), floor), ""
        end = align_up(piece.span.end, MIN_RAM_SIZE)
    elif piece.use in ("record", "seal"):
        start, end, room = piece.span.start, align_up(piece.span.end, BLOCK), ""
    elif piece.use == "stored" and following:
        end, room = limit, f"room up to {_whose(following)}"
    else:
        least = MIN_FLASH_SIZE if piece.use == "stored" else MIN_RAM_SIZE
        end = start + power_of_two(piece.span.size, least)
        if end > limit:
            room = (
                "room up to what follows" if piece.span.end < limit else "no room: what follows begins there"
            )
    what, purpose, words = USES[piece.use]
    reason = f"{words.format(piece.owner)}, {piece.span}" + (f"; {room}" if room else "")
    whole = align_down(min(end, limit), unit)
    span = Span.from_bounds(start, whole if whole >= piece.span.end else min(end, limit))
    if piece.use == "veneers":
        name, attribution = names.new("", what), CALLABLE
    else:
        name, attribution = names.new(piece.owner, what), ""
    return AreaGuess(name, span, purpose, piece.owner, reason, security=attribution)


def _whose(piece: PurposeSpan) -> str:
    if piece.use == "veneers":
        return f"the veneers of {piece.owner}"
    return f"what {piece.owner} stores" if piece.owner else "what comes next"


USES = {
    "stored": ("code", "code", "bytes that {} stores"),
    "veneers": ("veneers", "code", "the veneers of {}, by which non-secure code calls it"),
    "own": ("ram", "data", "RAM that {} claims for data, stack and heap"),
    "runs": ("run", "code", "where {} runs, copied there before its core starts"),
    "record": ("record", "record", "the record of the image"),
    "seal": ("seal", "seal", "the seal of the image"),
    "shared": ("shared", "shared", "RAM that builds know by the same name or address"),
}
"""For each use the end of the area's name, its purpose, and what shows it."""


def _further(homeless: list[Evidence], group: Group, end: int, names: _Names) -> Iterator[AreaGuess]:
    """Room in flash for builds that do not say where they are kept."""
    for seen in homeless:
        size = power_of_two(seen.block.size if seen.block else 0, MIN_FLASH_SIZE)
        span = Span(align_up(end, BLOCK), size)
        if span.end <= group.limit:
            reason = f"nothing: {seen.name} is linked for RAM and names no place in flash"
            if not seen.without_place:
                reason = f"nothing: all that {seen.name} stores is where others store theirs"
            yield AreaGuess(names.new(seen.name, "code"), span, "code", seen.name, reason)
            end = span.end


PROPOSED = (
    ("record", "record", 4 << 10, "room for the record"),
    ("seal", "seal", 16 << 10, "room for a seal of any algorithm"),
    ("checksums", "data", 4 << 10, "room for checksums of the builds"),
)
"""Areas that no build names: name, purpose, bytes, and what for."""


def _proposed(areas: list[AreaGuess], limit: int, names: _Names) -> Iterator[AreaGuess]:
    """What of PROPOSED has room after the last of ``areas`` and below ``limit``, in blocks of its own."""
    end = max((area.span.end for area in areas), default=0)
    for name, purpose, size, words in PROPOSED:
        if purpose in ("record", "seal") and any(area.purpose == purpose for area in areas):
            continue  # the image has it already
        span = Span(align_up(end, BLOCK), size)
        if span.end <= limit:
            reason = f"nothing: the first free place; {words}"
            yield AreaGuess(names.new("", name), span, purpose, "", reason)
            end = span.end


def _spans(pieces: list[PurposeSpan]) -> list[Span]:
    return [piece.span for piece in pieces]


def _made_up(
    homeless: list[Evidence], memories: list[MemoryGuess], areas: list[AreaGuess], names: _Names
) -> None:
    """A flash for builds that no flash has room for: at the first round address that is free."""
    size = sum(size for _, _, size, _ in PROPOSED) + sum(
        power_of_two(seen.block.size if seen.block else 0, MIN_FLASH_SIZE) for seen in homeless
    )
    spans = (Span(start, power_of_two(size, MEMORY_START)) for start in range(0, 1 << 32, 1 << 24))
    free = (span for span in spans if not any(span.overlaps(memory.span) for memory in memories))
    if (span := next(free, None)) is None:
        taken = ", ".join(f"{memory.name} {memory.span}" for memory in memories[:8])
        hint = "look for a segment of implausible size in the builds"
        raise UsageProblem(
            "the builds leave no room for a flash", found=taken, expected="some room", next_step=hint
        )
    group = Group("flash", (PurposeSpan(Span(span.start, 0), "stored", ""),), span.end)
    own = list(_further(homeless, group, span.start, names))
    if not any(area.purpose == "record" for area in areas):
        own += _proposed(own or [AreaGuess("", Span(span.start, 0), "", "", "")], span.end, names)
    name = "flash-0" if any(memory.kind == "flash" for memory in memories) else "flash"
    nothing = "nothing: the first round address that is free"
    memories.append(MemoryGuess(name, "flash", span, (), nothing, "what is kept here, rounded up"))
    memories.sort(key=lambda memory: memory.span.start)
    areas += [replace(area, memory=name) for area in own]
