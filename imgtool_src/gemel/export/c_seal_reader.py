"""The part of the C reader that goes from the record to its seal.

The code is the template ``seal_reader.h`` next to this file; its constants follow from the seal's format and the
registry of algorithms.  It knows no CBOR: a seal has one form, so the reader compares bytes.
"""

from __future__ import annotations

from typing import Any

from gemel.record.format import MAX_BUILDS, record_size
from gemel.seals.cbor import ARRAY, encoded, head
from gemel.seals.cose import MAX_SIGNERS
from gemel.seals.finding import HEAD
from gemel.seals.format import BODY_HEADER, FINGERPRINT_SIZE, bytes_to_sign
from gemel.seals.keys.algorithms import ALGORITHMS, SignatureAlgorithm

SEAL_ERRORS = {
    "SOUND": (0, "sound"),
    "ABSENT": (1, "no seal: every byte of the area is erased"),
    "NOT_A_SEAL": (2, "the bytes are not in the one form that a seal has"),
    "OUT_OF_ORDER": (3, "the signers are not in ascending order, or a key signs twice"),
    "BYTES_BEHIND": (4, "the area holds other bytes after the seal"),
}
"""What the reader says of a seal's area: code and text by name."""

SIGNED_HEAD = head(ARRAY, 5) + encoded("Signature") + encoded(BODY_HEADER)
"""Every signed text's bytes before the signer's protected header."""


def prefix_size(algorithm: SignatureAlgorithm) -> int:
    """Bytes of what is signed before the record, which takes two bytes to say its size."""
    record = bytes(record_size(MAX_BUILDS))
    return len(bytes_to_sign(record, algorithm, bytes(FINGERPRINT_SIZE))) - len(record)


def c_name(algorithm: SignatureAlgorithm) -> str:
    """The name of an algorithm's number: GEMEL_SEAL_ECDSA_P256."""
    return f"GEMEL_SEAL_{algorithm.name.upper().replace('-', '_')}"


def seal_facts() -> dict[str, Any]:
    """What the template puts in."""
    most = max(prefix_size(algorithm) for algorithm in ALGORITHMS)
    return {
        "seal_head": HEAD,
        "signed_head": SIGNED_HEAD,
        "prefix_size": most,
        "max_signed": most + record_size(MAX_BUILDS),
        "max_signers": MAX_SIGNERS,
        "key_id_size": FINGERPRINT_SIZE,
        "algorithms": [(c_name(each), each.cose_id, each.signature_size) for each in ALGORITHMS],
        "seal_errors": SEAL_ERRORS,
    }
