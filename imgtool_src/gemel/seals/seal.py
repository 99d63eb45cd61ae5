"""Seals made and verified; their format is stated in ``format`` and printed by ``page``.

What gemel writes is read back by ``read_seal``, and every signature is verified before it is written.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from enum import Enum

from gemel.errors import Problem
from gemel.seals.cose import ALGORITHM, CONTENT_TYPE, KEY_ID, MAX_SIGNERS, CoseSign, Signature, encode
from gemel.seals.format import (
    RECORD_CONTENT_TYPE,
    Seal,
    SealError,
    SealFault,
    SealFinding,
    SealSigner,
    bytes_to_sign,
    finding,
    seal_size,
)
from gemel.seals.keys.algorithms import SignatureAlgorithm
from gemel.seals.keys.keys import PublicKey
from gemel.seals.keys.schemes import in_cose_form
from gemel.seals.reading import read_seal
from gemel.spans import format_size
from gemel.structs import Struct

__all__ = [
    "Seal",
    "SealError",
    "SealFault",
    "SealSigner",
    "SignatureOutcome",
    "Verdict",
    "bytes_to_sign",
    "check_room",
    "make_seal",
    "read_seal",
    "seal_size",
    "signature_made_elsewhere",
    "verify",
]


class SignatureOutcome(Enum):
    """What became of one signer; ``value`` is its text."""

    GOOD = "the signature holds"
    BAD_SIGNATURE = "the signature does not hold over this record"
    UNKNOWN_KEY = "the key is not one of the trusted keys"
    OTHER_ALGORITHM = "the algorithm is not the trusted key's"


class Verdict(Struct):
    """What became of one signer; ``key`` is the trusted key of its fingerprint, if there is one."""

    signer: SealSigner
    outcome: SignatureOutcome
    key: PublicKey | None = None

    @property
    def good(self) -> bool:
        """Whether a trusted key's signature holds over the record."""
        return self.outcome is SignatureOutcome.GOOD


def make_seal(record_bytes: bytes, signatures: Sequence[tuple[PublicKey, bytes]]) -> bytes:
    """The seal's bytes, the same in whatever order the signatures come; each is verified first.

    Signatures are in COSE's form; ``signature_made_elsewhere`` brings other tools' into it.
    Raises SealError: no signature, too many, a key twice, a signature that does not hold.
    """
    if findings := list(_unfit(record_bytes, signatures)):
        raise SealError(findings)
    parts = [
        Signature({ALGORITHM: key.algorithm.cose_id, KEY_ID: key.fingerprint}, bytes(signature))
        for key, signature in signatures
    ]
    parts.sort(key=lambda part: part.protected_bytes)
    return encode(CoseSign({CONTENT_TYPE: RECORD_CONTENT_TYPE}, tuple(parts)))


def check_room(algorithms: Sequence[SignatureAlgorithm], area_size: int, where: str) -> None:
    """Raises SealError, saying how many bytes are needed, where a seal of ``algorithms`` does not fit."""
    needed = seal_size(algorithms)
    if needed > area_size:
        names = ", ".join(algorithm.name for algorithm in algorithms)
        problem = Problem(
            f"{SealFault.NO_ROOM.value} of {names}",
            where=where,
            found=format_size(area_size),
            expected=format_size(needed),
            next_step="make the area larger, or sign with fewer or smaller signatures",
        )
        raise SealError([(SealFault.NO_ROOM, problem)])


def signature_made_elsewhere(record_bytes: bytes, key: PublicKey, data: bytes, where: str) -> bytes:
    """A signature that another tool made over ``bytes_to_sign``, in COSE's form, verified.

    ``data`` is the signature as that tool wrote it: for ECDSA in DER or as r || s, else as its standard says.
    ``where`` names it in problems.  Raises SealError where it is none of this key over this record.
    """
    signed = bytes_to_sign(record_bytes, key.algorithm, key.fingerprint)
    for signature in in_cose_form(key.algorithm, data):
        if key.verify(signature, signed):
            return signature
    expected = f"a signature of {key.algorithm.name} by the key {key.fingerprint.hex()}"
    step = "sign exactly the bytes that were written out to be signed, with this key"
    raise SealError(
        [
            finding(
                SealFault.BAD_SIGNATURE,
                where,
                found=f"{len(data):,} bytes",
                expected=expected,
                next_step=step,
            )
        ]
    )


def verify(seal: Seal, record_bytes: bytes, trusted: Iterable[PublicKey]) -> tuple[Verdict, ...]:
    """One verdict for each signer, in the seal's order; never raises, whatever the seal holds."""
    keys = {key.fingerprint: key for key in trusted}
    return tuple(_verdict(signer, record_bytes, keys.get(signer.key_fingerprint)) for signer in seal.signers)


def _verdict(signer: SealSigner, record_bytes: bytes, key: PublicKey | None) -> Verdict:
    if key is None:
        return Verdict(signer, SignatureOutcome.UNKNOWN_KEY)
    if key.algorithm != signer.algorithm:
        return Verdict(signer, SignatureOutcome.OTHER_ALGORITHM, key)
    data = bytes_to_sign(record_bytes, signer.algorithm, signer.key_fingerprint)
    good = key.verify(signer.signature, data)
    return Verdict(signer, SignatureOutcome.GOOD if good else SignatureOutcome.BAD_SIGNATURE, key)


def _unfit(record_bytes: bytes, signatures: Sequence[tuple[PublicKey, bytes]]) -> Iterator[SealFinding]:
    """What keeps these signatures from being a seal."""
    if not signatures:
        yield finding(SealFault.NO_SIGNER, "", next_step="give a key")
    if len(signatures) > MAX_SIGNERS:
        yield finding(
            SealFault.TOO_MANY_SIGNERS, "", found=str(len(signatures)), expected=f"at most {MAX_SIGNERS}"
        )
    seen: set[bytes] = set()
    for key, signature in signatures:
        where = f"{key.algorithm.name} key {key.fingerprint.hex()}"
        if key.fingerprint in seen:
            yield finding(SealFault.SIGNER_TWICE, where, next_step="give each key once")
        seen.add(key.fingerprint)
        size = key.algorithm.signature_size
        if len(signature) != size:
            expected = f"{size:,} bytes"
            yield finding(
                SealFault.WRONG_SIGNATURE_SIZE, where, found=f"{len(signature):,} bytes", expected=expected
            )
        elif not key.verify(signature, bytes_to_sign(record_bytes, key.algorithm, key.fingerprint)):
            step = "sign the bytes to be signed of this record, with this key"
            yield finding(SealFault.BAD_SIGNATURE, where, next_step=step)
