"""An image's seal, read by ``cbor2`` and verified by ``cryptography``, on a path of its own.

Nothing here comes from ``gemel.seals``, ``gemel.record`` or their encoders: the form of record and seal is
written down again, from their pages (``gemel explain record``, ``gemel explain seal``) and RFC 9052.
"""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Sequence
from io import BytesIO
from typing import Any

from gemel.release.extras import library
from gemel.release.read_back.readers import ReadBackError
from gemel.structs import NamedTuple

COSE_SIGN = 98  # the tag of COSE_Sign, RFC 9052 2
ALGORITHM, CONTENT_TYPE, KEY_ID = 1, 3, 4  # header labels, RFC 9052 3.1
RECORD_SIZE_AT = 0x0C  # of the record's header, a 32-bit little-endian number


class ReadSigner(NamedTuple):
    """One signer: its key's fingerprint, and the reason why its signature does not hold (empty: it holds)."""

    key: bytes
    fault: str


def record_of(area: bytes) -> bytes:
    """The record's bytes at the start of its area; raises ReadBackError where mark, size or CRC is wrong."""
    size = int.from_bytes(area[RECORD_SIZE_AT : RECORD_SIZE_AT + 4], "little")
    if area[:8] != b"GEMELREC" or not 196 < size <= len(area):
        raise ReadBackError("no record where the layout has one")
    record = area[:size]
    if zlib.crc32(record[:-4]) != int.from_bytes(record[-4:], "little"):
        raise ReadBackError("the record's CRC is not that of its bytes")
    return record


def verify(area: bytes, record: bytes, keys: Sequence[bytes]) -> list[ReadSigner]:
    """Each signer of the seal at the start of ``area``; ``keys`` are SubjectPublicKeyInfos in DER.

    Raises ReadBackError for bytes that are no COSE_Sign over a record.
    """
    cbor2 = library("cbor2", "reading a seal back")
    try:
        sign = cbor2.CBORDecoder(BytesIO(area)).decode()
        body, _, payload, signatures = sign.value
        header = cbor2.loads(body)
        signers = [(head, cbor2.loads(head), signature) for head, _, signature in signatures]
    except (cbor2.CBORDecodeError, AttributeError, TypeError, ValueError) as error:
        raise ReadBackError(f"the seal's area holds no COSE_Sign: {error}") from error
    if sign.tag != COSE_SIGN or payload is not None or not signers:
        raise ReadBackError("the seal's area holds no COSE_Sign over a detached payload")
    if header.get(CONTENT_TYPE) != "application/x.gemel-record":
        raise ReadBackError("the seal does not say that it signs a record")
    known = {hashlib.sha256(key).digest(): key for key in keys}
    found = []
    for head, fields, signature in signers:
        text = cbor2.dumps(["Signature", body, head, b"", record])  # Sig_structure, RFC 9052 4.4
        key = known.get(fields.get(KEY_ID))
        fault = (
            "its key is not given" if key is None else fault_of(key, fields.get(ALGORITHM), signature, text)
        )
        found.append(ReadSigner(bytes(fields.get(KEY_ID, b"")), fault))
    return found


def fault_of(key: bytes, algorithm: Any, signature: bytes, text: bytes) -> str:
    """Why ``signature``, in COSE's form, does not hold over ``text``; empty where it does."""
    from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec, padding
    from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
    from cryptography.hazmat.primitives.serialization import load_der_public_key

    ecdsa = {-7: ("secp256r1", 32, hashes.SHA256()), -35: ("secp384r1", 48, hashes.SHA384())}
    pss = {-37: (3072, hashes.SHA256()), -38: (4096, hashes.SHA384())}
    try:
        public: Any = load_der_public_key(key)
        if algorithm in ecdsa:
            curve, size, digest = ecdsa[algorithm]
            if public.curve.name != curve or len(signature) != 2 * size:
                return "key or signature are not those of its algorithm"
            r, s = int.from_bytes(signature[:size], "big"), int.from_bytes(signature[size:], "big")
            public.verify(encode_dss_signature(r, s), text, ec.ECDSA(digest))
        elif algorithm in pss:
            bits, digest = pss[algorithm]
            if public.key_size != bits:
                return "key or signature are not those of its algorithm"
            public.verify(signature, text, padding.PSS(padding.MGF1(digest), digest.digest_size), digest)
        elif algorithm in {-8: "Ed25519", -49: "ML-DSA-65", -50: "ML-DSA-87"}:
            public.verify(signature, text)
        else:
            return f"COSE algorithm {algorithm} is none of a seal's"
    except InvalidSignature:
        return "the signature does not hold over the record"
    except (UnsupportedAlgorithm, ValueError, TypeError, AttributeError) as error:
        return f"the signature cannot be verified: {error}"
    return ""
