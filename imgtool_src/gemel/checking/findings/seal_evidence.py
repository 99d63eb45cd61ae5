"""What a rule says of the seal, and why it says nothing of one that it cannot look at."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from gemel.checking.findings.build_evidence import Check
from gemel.inspection.inspection import Inspection
from gemel.inspection.seal import SealUnderCheck
from gemel.outcomes import DoesNotApply, NotChecked, Outcome


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
