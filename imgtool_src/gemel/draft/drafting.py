"""The whole draft: every guess from the builds, gathered for the text to be written from."""

from __future__ import annotations

import struct
from collections.abc import Mapping

from gemel.builds.build import Build
from gemel.builds.elf.notes import misplaced_note
from gemel.builds.segment import Segment
from gemel.draft.cores import CoreGuess, Primary, guess_core, guess_primary
from gemel.draft.embedded import with_copies
from gemel.draft.evidence import Evidence
from gemel.draft.from_image import Recorded
from gemel.draft.guesses import AreaGuess, Places
from gemel.draft.pieces import NEAR
from gemel.draft.places import guess_places
from gemel.draft.regions import LinkMap, LinkRegion, regions_by_symbols, regions_of_map
from gemel.draft.security import (
    CALLABLE,
    NOTHING_SECURE,
    Security,
    core_for,
    find_security,
    seen_as_secure,
    shared_as_secure,
)
from gemel.draft.separate_ram import are_seen_once, with_separate_ram
from gemel.draft.shared import Shared, find_shared, named_apart
from gemel.draft.vectors import find_vectors
from gemel.errors import Problem, UsageProblem
from gemel.layout.checks.areas import MIN_VECTORS_SIZE
from gemel.m_profile.memory_map import RAM_REGIONS, STATE_BIT, region_of
from gemel.m_profile.vector_tables import FIRST_INTERRUPT, possible_tables
from gemel.spans import Span, align_down
from gemel.structs import Struct, field, replace

UNIT = 4 << 10
HANDLERS = (1, 2, 3, 11, 14)
"""Words that are a handler in every profile: Reset, NMI, HardFault, SVCall, PendSV."""


def with_run_addresses(build: Build) -> Build:
    """``build`` with its run addresses guessed, if it shows none and its vectors point elsewhere."""
    if not build.reason_for("run addresses") or find_vectors(build) is not None:
        return build
    distances = [distance for segment in build.stored if (distance := _distance(build, segment)) is not None]
    if not distances:
        return build
    moved = tuple(replace(it, run_address=it.load_address + distances[0]) for it in build.segments)
    return replace(build, segments=moved)


def _distance(build: Build, segment: Segment) -> int | None:
    """From where the bytes are stored to where they run, by the first likely vector table of a segment."""
    last = segment.load_address + len(segment.data) - 4 * FIRST_INTERRUPT
    for address, stack, _ in possible_tables(segment.data, segment.load_address):
        if address > last:
            break
        words = struct.unpack_from(f"<{FIRST_INTERRUPT}I", segment.data, address - segment.load_address)
        handlers = [words[index] for index in HANDLERS if words[index] or index == 1]
        stack_fits = stack % 4 == 0 and _in_ram(stack)
        if not stack_fits or not all(word & 1 and _in_ram(word) for word in handlers):
            continue
        distance = align_down(min(handlers) - 4 * FIRST_INTERRUPT - address, UNIT)
        ends = [it.load_address + len(it.data) + distance for it in build.stored]
        if max(handlers) < max(ends):
            return distance
    return None


def _in_ram(address: int) -> bool:
    return region_of(RAM_REGIONS, address - 4) is not None


MAX_RUNS = 1024
"""Runs of bytes of one build; a linker makes some tens."""

MAX_BUILDS = 16
"""As many as a record holds, and a layout has cores."""


class Draft(Struct):
    """All guesses; ``seen`` has the primary first, then the others as they were named; ``cores`` by name."""

    seen: tuple[Evidence, ...]
    cores: Mapping[str, CoreGuess]
    primary: Primary
    places: Places
    shared: tuple[Shared, ...]
    security: Security = NOTHING_SECURE
    recorded: Recorded | None = None
    apart: Mapping[str, Mapping[str, int]] = field(default_factory=dict)

    def core_name(self, build: str) -> str:
        """What the core that runs a build is called: as the image's record says, else as its own build."""
        own = self.security.core_of(build)
        entry = self.recorded.entry(own) if self.recorded else None
        others = {seen.name for seen in self.seen if self.security.core_of(seen.name) != own}
        return entry.core if entry and entry.core not in others else own

    def members(self, core: str) -> list[Evidence]:
        """The builds that a core runs, its own first."""
        found = [seen for seen in self.seen if self.security.core_of(seen.name) == core]
        return sorted(found, key=lambda seen: seen.name != core)

    def stored_in(self, name: str) -> list[AreaGuess]:
        """The areas of flash that a build is stored in: first its vector table's, else the largest."""
        areas = self.places.of(name, "code", "flash")
        vectors = next(seen.vectors for seen in self.seen if seen.name == name)
        table = Span(vectors.load_address, MIN_VECTORS_SIZE) if vectors else Span(0, 0)

        def order(area: AreaGuess) -> tuple[bool, bool, int]:
            return not (vectors and area.span.covers(table)), bool(area.security == CALLABLE), -area.span.size

        return sorted(areas, key=order)

    def runs_in(self, name: str) -> AreaGuess | None:
        """The area of RAM that a build is copied to; None if it runs in place."""
        return next(iter(self.places.of(name, "code", "ram")), None)

    def ram_of(self, name: str) -> list[AreaGuess]:
        """The areas of RAM that a core owns."""
        return [area for seen in self.members(name) for area in self.places.of(seen.name, "data", "ram")]


def draft(
    builds: Mapping[str, Build],
    link_maps: Mapping[str, LinkMap] | None = None,
    recorded: Recorded | None = None,
) -> Draft:
    """Guesses for a device that these builds, at least one, may have been made for.

    ``link_maps`` are memory tables of link maps by build (empty: of all builds); ``recorded`` the record of
    an image that some of the builds come from.  Raises UsageProblem for more builds than a device has
    cores, and for what is scattered over more places than a device has memories.
    """
    if not 1 <= len(builds) <= MAX_BUILDS:
        what = "too many builds" if builds else "no build to draft a layout from"
        raise UsageProblem(what, found=str(len(builds)), expected=f"1 to {MAX_BUILDS}")
    if scattered := [build for build in builds.values() if len(build.segments) > MAX_RUNS]:
        raise UsageProblem(
            Problem(
                "the file has too many separate runs of bytes for a draft",
                where=f"build {build.name} ({build.file})",
                found=f"{len(build.segments):,} runs",
                expected=f"at most {MAX_RUNS:,}",
                next_step="give the ELF file of the build",
            )
            for build in scattered
        )
    seen = with_copies(
        [Evidence(with_run_addresses(_without_astray_note(build))) for build in builds.values()]
    )
    cores = {each.name: guess_core(each) for each in seen}
    security = find_security(seen, cores)
    core_of = {each.name: security.core_of(each.name) for each in seen}
    primary = _recorded_primary(seen, recorded) or guess_primary(seen, core_of)
    seen.sort(key=lambda each: each.name != primary.name)
    names = [each.name for each in seen if core_of[each.name] == each.name]
    cores = {name: core_for(name, cores, security) for name in names}
    regions = _regions(seen, link_maps or {})

    def placed(security: Security, seen: list[Evidence] = seen) -> Draft:
        return _placed(seen, cores, primary, security, regions, recorded)

    drafted = placed(security, seen if security.secure else with_separate_ram(seen, security.loaders))
    if not are_seen_once(list(drafted.seen), [memory.span for memory in drafted.places.memories]):
        drafted = placed(security)
    if not _windows_separate(drafted.places):
        drafted = placed(security.without_aliases())
    return drafted


def _without_astray_note(build: Build) -> Build:
    """``build`` without a build id note that no other stored byte is near: the linker had no place for it."""
    astray = [
        each
        for each in build.stored
        if misplaced_note(each.data)
        and not any(
            Span(max(0, each.load_address - NEAR), 2 * NEAR).overlaps(other.load_span)
            for other in build.stored
            if other is not each
        )
    ]
    if not astray or len(astray) == len(build.stored):
        return build
    return replace(build, segments=tuple(each for each in build.segments if each not in astray))


def _regions(all_seen: list[Evidence], link_maps: Mapping[str, LinkMap]) -> list[LinkRegion]:
    """The regions that the builds' link maps name, then those that their symbols name."""
    found = []
    for build, link_map in link_maps.items():
        found += regions_of_map(link_map, [seen for seen in all_seen if build in ("", seen.name)])
    return found + [region for seen in all_seen for region in regions_by_symbols(seen)]


def _recorded_primary(all_seen: list[Evidence], recorded: Recorded | None) -> Primary | None:
    """The primary that a record names, with the constants that its build holds."""
    for seen in all_seen:
        entry = recorded.entry(seen.name) if recorded else None
        if recorded and entry and entry.role == "primary":
            guessed = guess_primary(all_seen)
            constants = guessed.constants if guessed.name == seen.name else ()
            return Primary(seen.name, f"the record of {recorded.file} says so", constants)
    return None


def _placed(
    seen: list[Evidence],
    cores: Mapping[str, CoreGuess],
    primary: Primary,
    security: Security,
    regions: list[LinkRegion],
    recorded: Recorded | None,
) -> Draft:
    without_loaders = [
        each for each in seen if each.name not in security.loaders
    ]  # the same RAM, one after the other
    shared = shared_as_secure(find_shared(without_loaders), seen, security)
    views = seen_as_secure(seen, security)
    places = guess_places(views, primary.name, shared, security, regions, recorded.pieces if recorded else ())
    apart = named_apart(without_loaders)
    return Draft(tuple(views), cores, primary, places, tuple(shared), security, recorded, apart)


def _windows_separate(places: Places) -> bool:
    """Whether no alias that was guessed is on another memory, or on both sides of bit 28."""
    windows = [window for memory in places.memories for window in memory.windows]
    whole = all(
        (memory.span.start ^ memory.span.last) & STATE_BIT == 0
        for memory in places.memories
        if memory.aliases
    )
    aliases = [window for memory in places.memories for window in memory.windows[1:]]
    return whole and all(sum(alias.overlaps(window) for window in windows) == 1 for alias in aliases)
