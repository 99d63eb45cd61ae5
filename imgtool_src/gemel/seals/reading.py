"""Seals found in an image, and read: every byte accounted for, and everything that is wrong said at once."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.image.sparse import SparseBytes, places_in
from gemel.seals.cbor import ARRAY, NIL, TAG, CborError, encoded, encoded_map, head
from gemel.seals.cose import ALGORITHM, CONTENT_TYPE, COSE_SIGN, KEY_ID, CoseSign, Signature, decode
from gemel.seals.format import (
    BODY_HEADER,
    FINGERPRINT_SIZE,
    RECORD_CONTENT_TYPE,
    Seal,
    SealError,
    SealFault,
    SealFinding,
    SealSigner,
    finding,
)
from gemel.seals.keys.algorithms import ALGORITHMS, algorithm_of_cose_id
from gemel.spans import ADDRESS_SPACE, Span, format_address
from gemel.structs import Struct


def read_seal(area_bytes: bytes, erased_byte: int, where: str) -> Seal:
    """The seal at the start of its area, whose other bytes must be ``erased_byte`` (0 to 255).

    ``where`` names the area in problems.  Raises SealError with everything that is wrong; where the bytes
    are not COSE_Sign, nothing after them can be read and nothing more is said.
    """
    data = bytes(area_bytes)
    if data.count(erased_byte) == len(data):
        raise SealError([finding(SealFault.NO_SEAL, where, next_step="sign the image: gemel sign")])
    try:
        sign, size = decode(data)
    except CborError as error:
        raise SealError([finding(SealFault.NOT_COSE, where, found=str(error))]) from error
    findings = [*_body_findings(sign, where), *_order_findings(sign, where)]
    signers = []
    for number, part in enumerate(sign.signatures, 1):
        if signer := _signer(part, f"{where}, signer {number}", findings):
            signers.append(signer)
    findings += _findings_after(data, size, erased_byte, where)
    if findings:
        raise SealError(findings)
    return Seal(tuple(signers), size)


def _body_findings(sign: CoseSign, where: str) -> Iterator[SealFinding]:
    if sign.protected.get(CONTENT_TYPE) != RECORD_CONTENT_TYPE:
        yield finding(SealFault.NOT_OF_A_RECORD, where, expected=f"the content type {RECORD_CONTENT_TYPE}")
    if sign.unprotected or set(sign.protected) - {CONTENT_TYPE}:
        expected = "a content type in the protected header and nothing else"
        yield finding(SealFault.WRONG_HEADER, where, expected=expected)
    if sign.payload is not None:
        yield finding(SealFault.PAYLOAD_INSIDE, where, found=f"{len(sign.payload):,} bytes", expected="nil")


def _order_findings(sign: CoseSign, where: str) -> Iterator[SealFinding]:
    ids = [part.protected[KEY_ID] for part in sign.signatures if KEY_ID in part.protected]
    if len(set(ids)) < len(ids):
        yield finding(SealFault.SIGNER_TWICE, where)
    headers = [part.protected_bytes for part in sign.signatures]
    if headers != sorted(headers):
        yield finding(SealFault.OUT_OF_ORDER, where)


def _signer(part: Signature, where: str, findings: list[SealFinding]) -> SealSigner | None:
    """The signer, or None with what is wrong added to ``findings``."""
    before = len(findings)
    if part.unprotected or set(part.protected) != {ALGORITHM, KEY_ID}:
        expected = "algorithm and key id in the protected header and nothing else"
        findings.append(finding(SealFault.WRONG_HEADER, where, expected=expected))
    cose_id, key_id = part.protected.get(ALGORITHM), part.protected.get(KEY_ID)
    algorithm = algorithm_of_cose_id(cose_id) if isinstance(cose_id, int) else None
    if algorithm is None:
        found = f"COSE algorithm {cose_id}" if isinstance(cose_id, int) else "no number"
        expected = ", ".join(f"{each.cose_id} ({each.name})" for each in ALGORITHMS)
        findings.append(finding(SealFault.UNKNOWN_ALGORITHM, where, found=found, expected=expected))
    elif len(part.signature) != algorithm.signature_size:
        found, expected = f"{len(part.signature):,} bytes", f"{algorithm.signature_size:,} bytes"
        findings.append(finding(SealFault.WRONG_SIGNATURE_SIZE, where, found=found, expected=expected))
    if not isinstance(key_id, bytes) or len(key_id) != FINGERPRINT_SIZE:
        findings.append(finding(SealFault.WRONG_KEY_ID, where, expected=f"{FINGERPRINT_SIZE} bytes"))
    elif algorithm and len(findings) == before:
        return SealSigner(algorithm, key_id, part.signature)
    return None


XMODEM_PAD = 0x1A
"""SUB, with which that protocol fills the last block of a file (common practice)."""


def _findings_after(data: bytes, size: int, erased_byte: int, where: str) -> list[SealFinding]:
    rest = data[size:]
    others = len(rest) - rest.count(erased_byte)
    if not others:
        return []
    found = f"{others:,} of {len(rest):,} bytes after the seal's {size:,}"
    added = {*rest} - {erased_byte}
    if len(added) == 1 and others > 1:
        (value,) = added
        found += f", each 0x{value:02X}{', with which XMODEM pads a file' if value == XMODEM_PAD else ''}"
    return [
        finding(SealFault.BYTES_BEHIND, where, found=found, expected=f"the erased byte 0x{erased_byte:02X}")
    ]


HEAD = head(TAG, COSE_SIGN) + head(ARRAY, 4) + encoded(BODY_HEADER) + encoded_map({}) + NIL
"""Every seal's bytes before the number of its signers."""

MAX_SEAL = 48 << 10
"""Bytes; eight of the largest signatures, with their headers, take less."""

MAX_PLACES = 16
"""Places that are looked at; an image has one seal, or one for each of its slots."""


class FoundSeal(Struct):
    """Bytes that begin as a seal does; ``seal`` is None where they are none, and ``problem`` says why."""

    span: Span
    seal: Seal | None
    problem: str = ""


def find_seals(image: SparseBytes) -> list[FoundSeal]:
    """The first MAX_PLACES places in ``image`` that begin as a seal does, by address."""
    found: list[FoundSeal] = []
    for start in places_in(image.pieces(), HEAD):
        found.append(_seal_at(image, start))
        if len(found) == MAX_PLACES:
            break
    return found


def _seal_at(image: SparseBytes, start: int) -> FoundSeal:
    window = Span(start, min(MAX_SEAL, ADDRESS_SPACE - start))
    data = image.read(window, 0xFF)
    try:
        _, size = decode(data)
        return FoundSeal(Span(start, size), read_seal(data[:size], 0xFF, format_address(start)))
    except CborError as error:
        return FoundSeal(Span(start, len(HEAD)), None, f"not one deterministic COSE_Sign: {error}")
    except SealError as error:
        return FoundSeal(Span(start, len(HEAD)), None, error.problems[0].what)
