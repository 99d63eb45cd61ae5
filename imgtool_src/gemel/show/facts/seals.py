"""The seals in an image, and what became of each signer: nothing that nobody verified stands as if it held."""

from __future__ import annotations

from collections.abc import Sequence

from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.seals.keys.keys import PublicKey
from gemel.seals.reading import FoundSeal, find_seals
from gemel.seals.seal import SealFault, SignatureOutcome, verify
from gemel.show.facts.contents import RecordFacts, SealFacts, SealSignerFacts, SignerVerdict
from gemel.spans import Address, Span

MAX_RECORDS = 4
"""Records that a seal is tried over where no layout says which is its own."""


def seals(
    image: SparseBytes,
    inspection: Inspection | None,
    records: Sequence[RecordFacts],
    trusted: Sequence[PublicKey],
) -> tuple[SealFacts, ...]:
    """Every seal by address; with a layout that names an area for one, first what is there."""
    area = _area(inspection)
    found = find_seals(image)
    seal = inspection.seal if inspection else None
    facts = []
    if area and seal and not seal.seal:
        found = [each for each in found if each.span.start != area.start]
        problem = seal.error.problems[0].what if seal.error else SealFault.NO_SEAL.value
        facts = [SealFacts(area, True, seal.absent, problem, None, ())]
    return (*facts, *(_facts(image, each, area, records, trusted) for each in found))


def _area(inspection: Inspection | None) -> Span | None:
    plan = inspection.layout.seal if inspection else None
    return inspection.layout.span_of(plan.area) if inspection and plan else None


def _facts(
    image: SparseBytes,
    found: FoundSeal,
    area: Span | None,
    records: Sequence[RecordFacts],
    trusted: Sequence[PublicKey],
) -> SealFacts:
    in_area = None if area is None else found.span.start == area.start
    if found.seal is None:
        return SealFacts(found.span, in_area, False, found.problem, None, ())
    best: tuple[int, RecordFacts | None, tuple[SignerVerdict, ...]] = (-1, None, ())
    fitting: list[RecordFacts | None] = [each for each in records if each.in_its_area is not False]
    for record in fitting[:MAX_RECORDS] or [None]:
        data = image.read(record.span, 0xFF) if record else b""
        verdicts = tuple(
            _word(verdict.outcome, bool(trusted)) for verdict in verify(found.seal, data, trusted)
        )
        good = verdicts.count("holds")
        if good > best[0]:
            best = (good, record, verdicts)
    good, record, verdicts = best
    signers = tuple(
        SealSignerFacts(signer.algorithm.name, signer.key_fingerprint, verdict)
        for signer, verdict in zip(found.seal.signers, verdicts, strict=True)
    )
    over = Address(record.span.start) if record and good else None
    return SealFacts(found.span, in_area, False, "", over, signers)


def _word(outcome: SignatureOutcome, keys_given: bool) -> SignerVerdict:
    if outcome is SignatureOutcome.GOOD:
        return "holds"
    if outcome is SignatureOutcome.UNKNOWN_KEY:
        return "key unknown" if keys_given else "not verified"
    return "does not hold"
