"""What a rule says of the seal, and why it says nothing of one that it cannot look at."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from gemel.checking.findings.build_evidence import RuleCheck
from gemel.inspection.altered.unchanged import joined_with_other_layout
from gemel.inspection.inspection import Inspection, once
from gemel.inspection.seal import SealUnderCheck
from gemel.outcomes import DoesNotApply, NotChecked, Outcome
from gemel.spans import Span, format_address


def of_seal(
    missing: Callable[[SealUnderCheck], NotChecked | DoesNotApply | None] = lambda _: None,
) -> Callable[[Callable[[Inspection, SealUnderCheck], Iterator[Outcome]]], RuleCheck]:
    """A rule's check, made of what it says of a seal that is required or there, or of what is ``missing`` of it."""

    def made(of: Callable[[Inspection, SealUnderCheck], Iterator[Outcome]]) -> RuleCheck:
        def check(inspection: Inspection) -> Iterator[Outcome]:
            if seal := inspection.seal:
                if reason := seal.needless() or missing(seal):
                    yield reason
                else:
                    yield from of(inspection, seal)

        return check

    return made


def seal_elsewhere(
    inspection: Inspection, seal: SealUnderCheck
) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    """Where a seal begins, as a line, in an image whose own area for it begins erased; and another layout as cause."""
    places = seals_astray(inspection)
    lines = tuple(f"a seal begins at {format_address(each.start)}" for each in places)
    other = places and joined_with_other_layout(inspection)
    return lines, (("record-of-this-layout", "layout"),) if other else ()


@once
def seals_astray(inspection: Inspection) -> list[Span]:
    """The seals in an image with a sound record whose area for the seal begins erased."""
    seal = inspection.seal
    if seal is None or inspection.record is None:
        return []
    if inspection.bytes_of(Span(seal.span.start, 1))[0] != inspection.erased_byte_at(seal.span.start):
        return []
    from gemel.seals.reading import find_seals

    return [each.span for each in find_seals(inspection.image) if each.seal]


def of_seal_astray(inspection: Inspection, held: Span) -> tuple[tuple[str, str], ...]:
    """The missing seal as the cause of bytes that are one, away from its area."""
    seal = inspection.seal
    return (("seal-present", seal.plan.area),) if seal and held in seals_astray(inspection) else ()
