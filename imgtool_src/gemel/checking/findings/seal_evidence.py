"""What a rule says of the seal, and why it says nothing of one that it cannot look at."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from gemel.checking.findings.build_evidence import Check
from gemel.inspection.inspection import Inspection
from gemel.inspection.seal import SealUnderCheck
from gemel.outcomes import DoesNotApply, NotChecked, Outcome
from gemel.spans import Span, format_address


def of_seal(
    missing: Callable[[SealUnderCheck], NotChecked | DoesNotApply | None] = lambda _: None,
) -> Callable[[Callable[[Inspection, SealUnderCheck], Iterator[Outcome]]], Check]:
    """A rule's check, made of what it says of a seal that is required or there, or of what is ``missing`` of it."""

    def made(of: Callable[[Inspection, SealUnderCheck], Iterator[Outcome]]) -> Check:
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
    """Where a seal begins, as a line, in an image of another layout whose own area begins erased; and that cause."""
    erased = inspection.layout.memory_of(seal.plan.area).erased_byte
    record = inspection.record
    if record is None or record.layout_sha256 == inspection.read.digest:
        return (), ()
    if inspection.bytes_of(Span(seal.span.start, 1))[0] != erased:
        return (), ()
    from gemel.seals.finding import find_seals

    places = [each.span.start for each in find_seals(inspection.image) if each.seal]
    lines = tuple(f"a seal begins at {format_address(place)}" for place in places)
    return lines, (("record-of-this-layout", "layout"),) if places else ()
