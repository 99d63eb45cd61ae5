"""The whole draft: every guess from the builds, gathered for the text to be written from."""

from __future__ import annotations

from collections.abc import Mapping

from gemel.builds.build import Build
from gemel.draft.cores import CoreGuess, Primary, guess_core, guess_primary
from gemel.draft.evidence import Evidence
from gemel.draft.flat import with_run_addresses
from gemel.draft.places import AreaGuess, Places, guess_places
from gemel.draft.security import (
    CALLABLE,
    NOTHING_SECURE,
    STATE_BIT,
    Security,
    core_for,
    find_security,
    seen_as_secure,
    shared_as_secure,
)
from gemel.draft.shared import Shared, find_shared
from gemel.errors import Problem, UsageProblem
from gemel.layout.checks.areas import MIN_VECTORS_SIZE
from gemel.spans import Span
from gemel.structs import Struct

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


def draft(builds: Mapping[str, Build]) -> Draft:
    """Guesses for a device that these builds, at least one, may have been made for.

    Raises UsageProblem for more builds than a device has cores.
    """
    if len(builds) > MAX_BUILDS:
        raise UsageProblem(
            Problem("too many builds", found=str(len(builds)), expected=f"at most {MAX_BUILDS}")
        )
    seen = [Evidence(with_run_addresses(build)) for build in builds.values()]
    cores = {each.name: guess_core(each) for each in seen}
    security = find_security(seen, cores)
    primary = guess_primary(seen, security.callers)
    seen.sort(key=lambda each: each.name != primary.name)
    names = [each.name for each in seen if each.name not in security.callers]
    cores = {name: core_for(name, cores, security) for name in names}
    drafted = _placed(seen, cores, primary, security)
    if not _windows_apart(drafted.places):
        drafted = _placed(seen, cores, primary, security.without_aliases())
    return drafted


def _placed(
    seen: list[Evidence], cores: Mapping[str, CoreGuess], primary: Primary, security: Security
) -> Draft:
    """The draft with all places."""
    shared = shared_as_secure(find_shared(seen), security)
    views = seen_as_secure(seen, security)
    places = guess_places(views, primary.name, shared, security)
    return Draft(tuple(views), cores, primary, places, tuple(shared), security)


def _windows_apart(places: Places) -> bool:
    """Whether no alias that was guessed lies on another memory, or on both sides of bit 28."""
    windows = [window for memory in places.memories for window in memory.windows]
    whole = all(
        (memory.span.start ^ memory.span.last) & STATE_BIT == 0
        for memory in places.memories
        if memory.aliases
    )
    aliases = [window for memory in places.memories for window in memory.windows[1:]]
    return whole and all(sum(alias.overlaps(window) for window in windows) == 1 for alias in aliases)
