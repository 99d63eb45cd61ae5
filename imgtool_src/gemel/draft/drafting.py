"""The whole draft: every guess from the builds, gathered for the text to be written from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from gemel.builds.build import Build
from gemel.draft.cores import CoreGuess, Primary, guess_core, guess_primary
from gemel.draft.evidence import Evidence
from gemel.draft.flat import with_run_addresses
from gemel.draft.places import AreaGuess, Places, guess_places
from gemel.draft.shared import Shared, find_shared
from gemel.errors import Problem, UsageProblem
from gemel.layout.area_checks import VECTORS_AT_LEAST
from gemel.spans import Span

MOST_BUILDS = 16
"""As many as a record holds, and a layout has cores."""


@dataclass(frozen=True, slots=True)
class Draft:
    """All guesses; ``seen`` has the primary first, then the others as they were named."""

    seen: tuple[Evidence, ...]
    cores: Mapping[str, CoreGuess]
    primary: Primary
    places: Places
    shared: tuple[Shared, ...]

    def stored_in(self, name: str) -> list[AreaGuess]:
        """The areas of flash that a build is stored in: first its vector table's, else the largest."""
        areas = self.places.of(name, "code", "flash")
        vectors = next(seen.vectors for seen in self.seen if seen.name == name)
        table = Span(vectors.load_address, VECTORS_AT_LEAST) if vectors else Span(0, 0)
        return sorted(areas, key=lambda area: (not (vectors and area.span.covers(table)), -area.span.size))

    def runs_in(self, name: str) -> AreaGuess | None:
        """The area of RAM that a build is copied to; None if it runs in place."""
        return next(iter(self.places.of(name, "code", "ram")), None)

    def ram_of(self, name: str) -> list[AreaGuess]:
        """The areas of RAM that a core owns."""
        return self.places.of(name, "data", "ram")


def draft(builds: Mapping[str, Build]) -> Draft:
    """Guesses for a device that these builds, at least one, may have been made for.

    Raises UsageProblem for more builds than a device has cores.
    """
    if len(builds) > MOST_BUILDS:
        raise UsageProblem(Problem("too many builds", "", str(len(builds)), f"at most {MOST_BUILDS}"))
    seen = [Evidence(with_run_addresses(build)) for build in builds.values()]
    primary = guess_primary(seen)
    seen.sort(key=lambda each: each.name != primary.name)
    shared = find_shared(seen)
    cores = {each.name: guess_core(each) for each in seen}
    return Draft(tuple(seen), cores, primary, guess_places(seen, primary.name, shared), tuple(shared))
