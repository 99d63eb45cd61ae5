"""The seal of an image under check: what its area holds, and what became of each signer.

Seven rules look at it, each at one thing that must hold; what one of them cannot look at, another has found:

    seal-present               something is in the area
    seal-well-formed           it is a seal, and the rest of the area is erased
    seal-by-trusted-key        a signer's key is trusted
    seal-algorithm-allowed     each signer's algorithm is allowed, and its key's
    seal-over-this-record      each trusted signer's signature holds over the record's bytes
    seal-signers-known         no signer's key is unknown, or no more than are allowed
    seal-signers-sufficient    as many signers as demanded keep all of these
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cached_property
from typing import TYPE_CHECKING

from gemel.layout.model import Layout, SealPlan
from gemel.outcomes import DoesNotApply, Need, NotChecked, Reason
from gemel.policy.reader import NO_RECEIVER, Receiver
from gemel.seals.demands import NOT_REQUIRED, SealDemands, demands_of
from gemel.seals.keys.algorithms import SignatureAlgorithm
from gemel.spans import Span
from gemel.structs import Struct

if TYPE_CHECKING:
    from gemel.seals.format import Seal, SealError, SealSigner
    from gemel.seals.keys.keys import PublicKey
    from gemel.seals.seal import SignatureOutcome, Verdict


class SealUnderCheck(Struct, dict=True):
    """The seal's area of an image: its ``seal``, or the ``error`` in it; neither where it is erased.

    ``demands`` are those of layout and receiver.  ``trusted`` are the keys that count, ``known`` further ones
    whose signatures are verified and do not: those that the layout trusts and --trust leaves out.
    """

    plan: SealPlan
    demands: SealDemands
    span: Span
    seal: Seal | None
    error: SealError | None
    record_bytes: bytes | None
    trusted: tuple[PublicKey, ...]
    known: tuple[PublicKey, ...] = ()

    @cached_property
    def where(self) -> str:
        """The area in words."""
        return f"area {self.plan.area}, {self.span}"

    @property
    def absent(self) -> bool:
        """Whether every byte of the area is erased."""
        return self.seal is None and self.error is None

    @property
    def allowed(self) -> tuple[SignatureAlgorithm, ...]:
        """The algorithms that are allowed."""
        return self.demands.algorithms

    @cached_property
    def verdicts(self) -> tuple[Verdict, ...]:
        """What became of each signer; none where there is no well-formed seal.

        Without a sound record no signature holds.
        """
        if self.seal is None:
            return ()
        from gemel.seals.seal import verify

        return verify(self.seal, self.record_bytes or b"", (*self.trusted, *self.known))

    @property
    def counted(self) -> list[Verdict]:
        """The signers that count: key trusted, algorithm its own and allowed, signature over this record."""
        if self.record_bytes is None:
            return []
        trusted = {key.fingerprint for key in self.trusted}
        return [
            each
            for each in self.verdicts
            if each.good and each.signer.algorithm in self.allowed and each.signer.key_fingerprint in trusted
        ]

    @property
    def unknown(self) -> list[SealSigner]:
        """The signers whose keys nobody knows."""
        from gemel.seals.seal import SignatureOutcome

        return [each.signer for each in of_outcome(self, SignatureOutcome.UNKNOWN_KEY)]

    def needless(self) -> DoesNotApply | None:
        """What every rule on seals says where none is required and the area is erased; None elsewhere."""
        return DoesNotApply(self.where, NOT_REQUIRED) if self.absent and not self.demands.required else None

    def unreadable(self) -> NotChecked | DoesNotApply | None:
        """Why there are no signers to look at; None if there are."""
        if self.seal:
            return None
        if self.absent:
            return DoesNotApply(self.where, "there is no seal")
        return NotChecked(self.where, Reason("the seal is not well formed", Need("rule", "seal-well-formed")))

    def unverifiable(self) -> NotChecked | DoesNotApply | None:
        """Why no signature can be verified; None if some can."""
        if missing := self.unreadable():
            return missing
        return None if self.trusted else NotChecked(self.where, NO_TRUST)


NO_TRUST = Reason("needs a trusted key: --trust PUBKEY", Need("key"))


def seal_under_check(
    layout: Layout,
    area_bytes: Callable[[Span], bytes],
    record_bytes: Callable[[], bytes | None],
    trusted: tuple[PublicKey, ...],
    known: tuple[PublicKey, ...] = (),
    receiver: Receiver = NO_RECEIVER,
) -> SealUnderCheck | None:
    """What the seal's area of the image holds; None where the layout has no seal.

    ``area_bytes`` reads a plain span of the image, ``record_bytes`` the sound record, for a seal that is read.
    """
    plan = layout.seal
    if plan is None:
        return None
    span = layout.span_of(plan.area)
    data, erased = area_bytes(span), layout.memory_of(plan.area).erased_byte
    seal: Seal | None = None
    error: SealError | None = None
    if data.count(erased) < len(data):
        from gemel.seals.format import SealError
        from gemel.seals.reading import read_seal

        try:
            seal = read_seal(data, erased, f"area {plan.area}, {span}")
        except SealError as found:
            error = found.with_traceback(None)  # which would keep the image alive
    record = record_bytes() if seal else None
    return SealUnderCheck(plan, demands_of(plan, receiver), span, seal, error, record, trusted, known)


def key_words(fingerprint: bytes) -> str:
    """A key by the start of its fingerprint, as reports and messages name it."""
    return f"key {fingerprint.hex()[:16]}..."


def signer_words(signer: SealSigner) -> str:
    """``Ed25519 key 0123456789abcdef...``."""
    return f"{signer.algorithm.name} {key_words(signer.key_fingerprint)}"


def of_outcome(seal: SealUnderCheck, *outcomes: SignatureOutcome) -> Iterator[Verdict]:
    """The signers of which one of ``outcomes`` became."""
    return (verdict for verdict in seal.verdicts if verdict.outcome in outcomes)
