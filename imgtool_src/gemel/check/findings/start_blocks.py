"""What the rules about blocks that start-up code copies or clears share."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from gemel.builds.build import Build
from gemel.check.findings.build_evidence import telling
from gemel.check.findings.wording import concerned, found_or_holds
from gemel.check.rule import Finding, NotChecked, Outcome
from gemel.inspection.inspection import Subject
from gemel.inspection.start_tables import StartEntry
from gemel.placement.placing import Placement
from gemel.spans import format_address


def block_outcomes(
    subject: Subject,
    blocks_of: Callable[[Build], list[StartEntry]],
    findings_of: Callable[[Subject, Placement, StartEntry], Iterator[Finding]],
    does: str,
) -> Iterator[Outcome]:
    """One outcome for each build whose symbols tell of blocks; ``does``: ``copies`` or ``clears``.

    ``findings_of`` judges each block that does not end before it starts.
    """
    for told in telling(subject, "symbols"):
        if isinstance(told, NotChecked):
            yield told
            continue
        plan, build = told
        blocks = blocks_of(build)
        if blocks:
            found = _findings(subject, subject.placements[plan.name], blocks, findings_of, does)
            past = {"copies": "copied", "clears": "cleared"}[does]
            yield from found_or_holds(found, f"build {plan.name}: {len(blocks)} {past}")


def block_place(placement: Placement, block: StartEntry) -> str:
    """``build station (station.elf), symbols _sbss and _ebss``."""
    return f"build {placement.plan.name} ({placement.build.file}), {block.told_by}"


def _findings(
    subject: Subject,
    placement: Placement,
    blocks: list[StartEntry],
    findings_of: Callable[[Subject, Placement, StartEntry], Iterator[Finding]],
    does: str,
) -> Iterator[Finding]:
    for block in blocks:
        if block.end < block.start:
            yield Finding(
                f"what start-up code of build {placement.plan.name} {does} ends before it starts",
                concerned(placement.plan.name, placement.plan.core),
                block_place(placement, block),
                f"a start of {format_address(block.start)}, an end of {format_address(block.end)}",
                "an end that is not below the start",
            )
        else:
            yield from findings_of(subject, placement, block)
