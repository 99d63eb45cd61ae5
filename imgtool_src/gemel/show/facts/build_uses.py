"""Each build of the layout: where it lies, how that is known, and what RAM it claims."""

from __future__ import annotations

from gemel.inspection.inspection import Subject
from gemel.inspection.ram_claims import ram_of
from gemel.layout.model import BuildPlan
from gemel.show.facts.contents import Address, BuildUse
from gemel.show.facts.used_bytes import content_runs, has_content, per_cent, size_of
from gemel.show.facts.values import written_places
from gemel.spans import Span, without


def build_uses(subject: Subject) -> tuple[BuildUse, ...]:
    """One entry for each build of the layout, in its order."""
    return tuple(_build_use(subject, name, plan) for name, plan in subject.layout.builds.items())


def stored_in_image(subject: Subject, name: str) -> Span | None:
    """Where the image holds the build; None if it does not.

    A build that is only guessed reaches from the first to the last byte of its area that is not erased
    and belongs to no stamp or checksum.
    """
    found = subject.placed_with_origin.get(name)
    if found is None:
        return None
    placed, origin = found
    erased = subject.erased_byte_at(placed.stored.start)
    if origin != "layout":
        return placed.stored if has_content(subject.image, placed.stored, erased) else None
    others = [place for _, _, place in written_places(subject)]
    rests = without([placed.stored], others)
    runs = [run for rest in rests for run in content_runs(subject.image, rest, erased)]
    return Span.from_bounds(runs[0].start, runs[-1].end) if runs else None


def _build_use(subject: Subject, name: str, plan: BuildPlan) -> BuildUse:
    file = subject.builds[name].file if name in subject.builds else None
    role = subject.layout.cores[plan.core].role
    ram = claimed_ram(subject, name, plan)
    stored = stored_in_image(subject, name)
    if stored is None:
        return BuildUse(
            name, plan.core, role, plan.stored_in, "nothing", file, None, None, None, None, None, ram=ram
        )
    placed, origin = subject.placed_with_origin[name]
    return BuildUse(
        name=name,
        core=plan.core,
        role=role,
        area=plan.stored_in,
        known_from=origin,
        file=file,
        stored=stored,
        per_cent=per_cent(stored.size, subject.layout.areas[plan.stored_in].size),
        run=Span(placed.run_address(stored.start), stored.size),
        vectors=Address(placed.vector_address),
        build_id=placed.build_id,
        ram=ram,
    )


def claimed_ram(subject: Subject, name: str, plan: BuildPlan) -> int | None:
    """Bytes of the layout's RAM that the build takes at run time; None if its file cannot tell."""
    build = subject.builds.get(name)
    if build is None or build.reason_for("RAM use"):
        return None
    return size_of(ram_of(subject.layout, plan, build))
