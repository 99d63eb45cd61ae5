"""The seal's format: what it looks like, what each of its signers signs, and what can be wrong with it.

    98([ << {3: "application/x.gemel-record"} >>, {}, nil, [                      COSE_Sign, RFC 9052
         [ << {1: COSE id of the algorithm, 4: fingerprint of the key} >>, {}, signature ], ... ] ])

The payload is detached: the record's bytes from the mark to the CRC.  The content type is signed with them,
so a signature made over anything else, by the same key, is no seal; the algorithm and the key are signed
too, so neither can be changed.  Signers are in ascending order of their protected headers, no key twice.
The rest of the area is erased.

A seal holds when enough of its signers do, and how many are enough is the reader's policy, not the
seal's: anyone who can write the image can take a signer away.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum

from gemel.errors import GemelError, Problem
from gemel.seals.cose import ALGORITHM, CONTENT_TYPE, KEY_ID, encoded_size, header_bytes, sig_structure
from gemel.seals.keys.algorithms import SignatureAlgorithm
from gemel.structs import Struct

RECORD_CONTENT_TYPE = "application/x.gemel-record"
"""What a seal says its payload is; a media type of the unregistered tree (RFC 6838 3.4)."""

BODY_HEADER = header_bytes({CONTENT_TYPE: RECORD_CONTENT_TYPE})
"""The protected header that all signers of a seal share, as it is signed."""

FINGERPRINT_SIZE = 32


class SealFault(Enum):
    """What can be wrong with a seal; ``value`` is its text."""

    NO_SEAL = "no seal: every byte of the area is erased"
    NOT_COSE = "not a COSE_Sign in its one deterministic encoding"
    NOT_OF_A_RECORD = "the seal does not say that it signs a record"
    PAYLOAD_INSIDE = "the seal carries a payload of its own; the record's bytes are signed where they are"
    WRONG_HEADER = "a header holds more or less than a seal's does"
    UNKNOWN_ALGORITHM = "a signer's algorithm is none of a seal's"
    WRONG_KEY_ID = "a signer's key id is no fingerprint"
    WRONG_SIGNATURE_SIZE = "a signature has not the size of its algorithm's"
    SIGNER_TWICE = "a key signs twice"
    OUT_OF_ORDER = "the signers are not in ascending order"
    BYTES_BEHIND = "the area holds other bytes after the seal"
    NO_SIGNER = "a seal needs a signer"
    TOO_MANY_SIGNERS = "more signers than a seal may have"
    BAD_SIGNATURE = "a signature is not that of the key over the record"
    NO_ROOM = "the area is too small for the seal"


class SealError(GemelError):
    """Bytes are not a sound seal, or a seal cannot be made of what was given.

    ``faults`` names the kind of each problem, in the same order as ``problems``.
    """

    def __init__(self, findings: Iterable[tuple[SealFault, Problem]]) -> None:
        """Take the kind and the words of each problem; raises ValueError for none."""
        found = tuple(findings)
        super().__init__(problem for _, problem in found)
        self.faults: tuple[SealFault, ...] = tuple(fault for fault, _ in found)


class SealSigner(Struct):
    """One signer of a seal; ``key_fingerprint`` is 32 bytes, ``signature`` as long as the algorithm's."""

    algorithm: SignatureAlgorithm
    key_fingerprint: bytes
    signature: bytes


class Seal(Struct):
    """A well-formed seal, as yet unverified; ``size`` is its bytes in the area."""

    signers: tuple[SealSigner, ...]
    size: int


def bytes_to_sign(record_bytes: bytes, algorithm: SignatureAlgorithm, key_fingerprint: bytes) -> bytes:
    """Exactly the bytes that a key signs: the Sig_structure of RFC 9052 4.4.

    ``record_bytes`` is the encoded record, ``key_fingerprint`` the 32 bytes that ``PublicKey`` states.
    """
    return sig_structure(
        "Signature", (BODY_HEADER, signer_header(algorithm, key_fingerprint)), bytes(record_bytes)
    )


def seal_size(algorithms: Iterable[SignatureAlgorithm]) -> int:
    """Bytes of a seal with one signer for each of ``algorithms``, known before anything is signed."""
    signers = [
        (len(signer_header(algorithm, bytes(FINGERPRINT_SIZE))), algorithm.signature_size)
        for algorithm in algorithms
    ]
    return encoded_size(BODY_HEADER, signers)


def signer_header(algorithm: SignatureAlgorithm, key_fingerprint: bytes) -> bytes:
    """A signer's protected header; raises ValueError unless the fingerprint has 32 bytes."""
    if len(key_fingerprint) != FINGERPRINT_SIZE:
        raise ValueError(f"a fingerprint has {FINGERPRINT_SIZE} bytes, not {len(key_fingerprint)}")
    return header_bytes({ALGORITHM: algorithm.cose_id, KEY_ID: bytes(key_fingerprint)})


SealFinding = tuple[SealFault, Problem]
"""One thing that is wrong, with its kind."""


def finding(
    fault: SealFault, where: str, *, found: str = "", expected: str = "", next_step: str = ""
) -> SealFinding:
    """A problem in the words of its kind."""
    return fault, Problem(fault.value, where=where, found=found, expected=expected, next_step=next_step)
