"""What of a build takes a span of RAM, as lines of evidence."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.inspection.ram.claims import claims_of
from gemel.inspection.wording import biggest_symbols, place_words
from gemel.layout.model import BuildPlan, Layout
from gemel.spans import Span


def taken_lines(layout: Layout, plan: BuildPlan, build: Build, span: Span) -> Iterator[str]:
    """Each segment, heap or stack that takes some of ``span`` (plain), where its core sees it, and its objects."""
    claims = [
        claim for claim in claims_of(layout, plan, build) if claim.in_ram and claim.plain.overlaps(span)
    ]
    for claim in claims[:2]:
        seen = claim.plain.intersection(span).moved(claim.seen.start - claim.plain.start)
        symbols = biggest_symbols(build, seen)
        words = f": {symbols}" if symbols else "" if claim.reserve else ", objects not known"
        yield f"build {plan.name}, {claim.words}, as core {plan.core} sees it {place_words(seen)}{words}"
