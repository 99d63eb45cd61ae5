"""What the rules about blocks that start-up code copies or clears share."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Literal

from gemel.checking.findings.build_evidence import builds_that_state
from gemel.inspection.inspection import Inspection
from gemel.inspection.start_up.tables import StartEntry
from gemel.inspection.wording import concerned, found_or_holds
from gemel.outcomes import Finding, NotChecked, Outcome
from gemel.placement.placing import Placement
from gemel.spans import Span, format_address


def block_outcomes(
    inspection: Inspection,
    findings_of: Callable[[Inspection, Placement, StartEntry], Iterator[Finding]],
    does: Literal["copies", "clears"],
) -> Iterator[Outcome]:
    """One outcome for each build whose symbols show blocks.

    ``findings_of`` judges each block that does not end before it starts.
    """
    for stated in builds_that_state(inspection, "symbols"):
        if isinstance(stated, NotChecked):
            yield stated
            continue
        plan = stated[0]
        start = inspection.start_blocks[plan.name]
        blocks = start.copies if does == "copies" else start.clears
        if blocks:
            found = _findings(inspection, inspection.placements[plan.name], blocks, findings_of, does)
            # labels and a run of the code may say the same of one block
            first_of = {(each.what, each.found): each for each in reversed(list(found))}
            past = "copied" if does == "copies" else "cleared"
            yield from found_or_holds(reversed(first_of.values()), f"build {plan.name}: {len(blocks)} {past}")


def block_place(placement: Placement, block: StartEntry) -> str:
    """``build station (station.elf), symbols _sbss and _ebss``."""
    return f"build {placement.plan.name} ({placement.build.file}), {block.named_by}"


def unused_words(unused: list[StartEntry], span: Span) -> str:
    """What to do about a block whose symbols no code uses, but for its begin; empty if ``span`` is in none."""
    block = next((entry for entry in unused if entry.span.overlaps(span)), None)
    if block is None:
        return ""
    does = "clear" if block.source is None else "copy"
    how = "clears" if block.source is None else "copies"
    return f"no code {how} the block of the {block.named_by}: {does} it at the start"


def _findings(
    inspection: Inspection,
    placement: Placement,
    blocks: list[StartEntry],
    findings_of: Callable[[Inspection, Placement, StartEntry], Iterator[Finding]],
    does: str,
) -> Iterator[Finding]:
    for block in blocks:
        if block.end < block.start:
            yield Finding(
                f"what start-up code of build {placement.plan.name} {does} ends before it starts",
                concerned(placement.plan.name, placement.plan.core),
                where=block_place(placement, block),
                found=f"a start of {format_address(block.start)}, an end of {format_address(block.end)}",
                expected="an end that is not below the start",
            )
        else:
            yield from findings_of(inspection, placement, block)
