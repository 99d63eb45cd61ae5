"""COSE_Sign (RFC 9052 4.1): one payload, any number of signers; and the bytes that each of them signs.

    98([                              tag 98, an array of 4
      << {label: value, ...} >>,      protected header, as bytes; an empty one is no bytes at all
      {label: value, ...},            unprotected header
      payload | nil,                  nil: detached, the reader has it from elsewhere
      [ [<<{...}>>, {...}, signature], ... ]
    ])

    Sig_structure = ["Signature", body protected, signer protected, external data, payload]   (4.4)

Strict: deterministic encoding only (RFC 8949 4.2.1), header maps of integers, bytes and text, stated bounds,
the tag is expected.  What it reads has one encoding, so a change of any byte changes what was read.
"""

from __future__ import annotations

from collections.abc import Sequence

from gemel.seals.cbor import (
    ARRAY,
    BYTES,
    NIL,
    TAG,
    CborError,
    CborReader,
    HeaderValue,
    encoded,
    encoded_map,
    head,
)
from gemel.structs import Struct, field

COSE_SIGN = 98
"""The CBOR tag of COSE_Sign (RFC 9052 2)."""

ALGORITHM, CONTENT_TYPE, KEY_ID = 1, 3, 4
"""Header labels (RFC 9052 3.1)."""

MAX_SIGNERS = 8
MAX_HEADER_ENTRIES = 16


class Signature(Struct):
    """One signer's part: its protected header, its unprotected header and its signature."""

    protected: dict[HeaderValue, HeaderValue]
    signature: bytes
    unprotected: dict[HeaderValue, HeaderValue] = field(default_factory=dict)

    @property
    def protected_bytes(self) -> bytes:
        """The protected header as it is signed."""
        return header_bytes(self.protected)


class CoseSign(Struct):
    """A COSE_Sign; ``payload`` None: detached.  ``signatures`` has 1 to 8."""

    protected: dict[HeaderValue, HeaderValue]
    signatures: tuple[Signature, ...]
    payload: bytes | None = None
    unprotected: dict[HeaderValue, HeaderValue] = field(default_factory=dict)

    @property
    def protected_bytes(self) -> bytes:
        """The protected header as it is signed."""
        return header_bytes(self.protected)


def header_bytes(header: dict[HeaderValue, HeaderValue]) -> bytes:
    """A protected header's bytes: its map; none for an empty one (RFC 9052 3)."""
    return encoded_map(header) if header else b""


def sig_structure(context: str, protected: Sequence[bytes], payload: bytes, external: bytes = b"") -> bytes:
    """The bytes that are signed (RFC 9052 4.4).

    ``context`` is ``Signature`` with the body's and the signer's protected headers, or ``Signature1`` (of
    COSE_Sign1) with the one there is.
    """
    parts = [
        encoded(context),
        *(encoded(header) for header in protected),
        encoded(external),
        encoded(payload),
    ]
    return head(ARRAY, len(parts)) + b"".join(parts)


def encode(sign: CoseSign) -> bytes:
    """The structure's bytes; the same for equal ones."""
    payload = NIL if sign.payload is None else encoded(sign.payload)
    parts = [head(TAG, COSE_SIGN), head(ARRAY, 4), encoded(sign.protected_bytes)]
    parts += [encoded_map(sign.unprotected), payload, head(ARRAY, len(sign.signatures))]
    for each in sign.signatures:
        parts += [head(ARRAY, 3), encoded(each.protected_bytes), encoded_map(each.unprotected)]
        parts.append(encoded(each.signature))
    return b"".join(parts)


def encoded_size(protected: bytes, signers: Sequence[tuple[int, int]]) -> int:
    """Bytes of a COSE_Sign with a detached payload, no unprotected headers and ``signers``.

    Each signer is given by the sizes of its protected header and of its signature.
    """
    size = len(head(TAG, COSE_SIGN)) + 1 + len(encoded(protected)) + 1 + len(NIL)
    size += len(head(ARRAY, len(signers)))
    for protected_size, signature_size in signers:
        size += 2 + len(head(BYTES, protected_size)) + protected_size
        size += len(head(BYTES, signature_size)) + signature_size
    return size


def decode(data: bytes) -> tuple[CoseSign, int]:
    """The COSE_Sign at the start of ``data`` and its size in bytes; what is after it is not looked at.

    Raises CborError for anything that ``encode`` would not have written.
    """
    reader = CborReader(data)
    tag = reader.tag()
    if tag != COSE_SIGN:
        raise CborError(f"tag {tag} where tag {COSE_SIGN} (COSE_Sign) is expected", 0)
    reader.array(4, 4)
    protected = _protected(reader)
    unprotected = reader.header_map(MAX_HEADER_ENTRIES)
    payload = reader.bytes_or_none()
    signatures = tuple(_signature(reader) for _ in range(reader.array(1, MAX_SIGNERS)))
    return CoseSign(protected, signatures, payload, unprotected), reader.place


def _signature(reader: CborReader) -> Signature:
    reader.array(3, 3)
    protected = _protected(reader)
    unprotected = reader.header_map(MAX_HEADER_ENTRIES)
    return Signature(protected, reader.byte_string(), unprotected)


def _protected(reader: CborReader) -> dict[HeaderValue, HeaderValue]:
    data = reader.byte_string()
    if not data:
        return {}
    start = reader.place - len(data)
    inner = CborReader(data)
    try:
        header = inner.header_map(MAX_HEADER_ENTRIES)
        inner.end()
    except CborError as error:
        raise CborError(f"in a protected header, {error.what}", start + error.place) from error
    if not header:
        raise CborError("an empty protected header that is not written as no bytes", start)
    return header
