"""Each build of the layout: where it lies, how that is known, and what RAM it claims."""

from __future__ import annotations

from gemel.check.subject import Subject
from gemel.layout.addresses import plain_span
from gemel.layout.model import BuildPlan
from gemel.show.contents import Address, BuildUse
from gemel.show.used_bytes import has_content, per_cent, size_of
from gemel.spans import Span


def build_uses(subject: Subject) -> tuple[BuildUse, ...]:
    """One entry for each build of the layout, in its order."""
    return tuple(_build_use(subject, name, plan) for name, plan in subject.layout.builds.items())


def _build_use(subject: Subject, name: str, plan: BuildPlan) -> BuildUse:
    file = subject.builds[name].file if name in subject.builds else None
    role = subject.layout.cores[plan.core].role
    ram = claimed_ram(subject, name, plan)
    found = subject.placed_with_origin.get(name)
    if found is None or not _in_image(subject, found[0].stored):
        return BuildUse(
            name, plan.core, role, plan.stored_in, "nothing", file, None, None, None, None, None, ram=ram
        )
    placed, origin = found
    return BuildUse(
        name=name,
        core=plan.core,
        role=role,
        area=plan.stored_in,
        known_from=origin,
        file=file,
        stored=placed.stored,
        per_cent=per_cent(placed.stored.size, subject.layout.areas[plan.stored_in].size),
        run=Span(placed.run_start, placed.stored.size),
        vectors=Address(placed.vector_address),
        build_id=placed.build_id,
        ram=ram,
    )


def _in_image(subject: Subject, stored: Span) -> bool:
    return has_content(subject.image, stored, subject.erased_byte_at(stored.start))


def claimed_ram(subject: Subject, name: str, plan: BuildPlan) -> int | None:
    """Bytes of the layout's RAM that the build takes at run time; None if its file cannot tell."""
    build = subject.builds.get(name)
    if build is None or build.reason_for("RAM use"):
        return None
    memories = [memory.span for memory in subject.layout.memories.values() if memory.kind == "ram"]
    plain = (plain_span(subject.layout, claim, plan.core) for claim in build.ram_claims)
    claims = [claim for claim in plain if claim]
    return size_of(claim.intersection(memory) for claim in claims for memory in memories)
