"""The seal's page (``page.txt``): what is put into it of the format, byte by byte, the algorithms and the faults."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gemel.record.format import record_size
from gemel.seals.cbor import ARRAY, BYTES, NIL, TAG, encoded, head
from gemel.seals.cose import COSE_SIGN, MAX_SIGNERS
from gemel.seals.format import (
    BODY_HEADER,
    FINGERPRINT_SIZE,
    RECORD_CONTENT_TYPE,
    SealFault,
    seal_size,
    signer_header,
)
from gemel.seals.keys.algorithms import ALGORITHMS, ECDSA_P256, ED25519, ML_DSA_65, Registration
from gemel.seals.to_be_signed import openssl_lines
from gemel.text.templates import filled
from gemel.text.wrapping import wrapped

_WIDTH = 79

PagePart = tuple[bytes | int, str]
"""A piece of a structure: its bytes, or how many where they differ, and what it is."""


def page() -> str:
    """The format byte by byte, algorithms, faults; promises, threats; rotation, two steps, cautions."""
    parts = {
        "tag": [str(COSE_SIGN)],
        "content_type": [RECORD_CONTENT_TYPE],
        "max_signers": [str(MAX_SIGNERS)],
        "seal": _rows(parts_of_a_seal()),
        "signed": _rows(parts_of_the_signed_bytes()),
        "sizes": _sizes(),
        "algorithms": _algorithms(),
        "faults": _faults(),
        "openssl": (f"    {line}" for line in openssl_lines(_WIDTH - 4)),
    }
    return filled("gemel.seals", "page.txt", parts)


def parts_of_a_seal() -> list[PagePart]:
    """A seal by one Ed25519 key, piece by piece."""
    header = signer_header(ED25519, bytes(FINGERPRINT_SIZE))
    before = len(header) - FINGERPRINT_SIZE
    content_type = RECORD_CONTENT_TYPE.encode("ascii")
    return [
        (head(TAG, COSE_SIGN), f"tag {COSE_SIGN}: COSE_Sign"),
        (head(ARRAY, 4), "an array of 4"),
        (head(BYTES, len(BODY_HEADER)), f"protected header, {len(BODY_HEADER)} bytes"),
        (BODY_HEADER[: -len(content_type)], f"a map of 1; 3: text of {len(content_type)} bytes"),
        (len(content_type), f'"{RECORD_CONTENT_TYPE}"'),
        (b"\xa0", "unprotected header: an empty map"),
        (NIL, "payload: nil"),
        (head(ARRAY, 1), "an array of 1: the signers"),
        (head(ARRAY, 3), "an array of 3: the signer"),
        (head(BYTES, len(header)), f"its protected header, {len(header)} bytes"),
        (header[:3], f"a map of 2; 1: {ED25519.cose_id}, the algorithm"),
        (header[3:before], f"4: {FINGERPRINT_SIZE} bytes"),
        (FINGERPRINT_SIZE, "the key's fingerprint"),
        (b"\xa0", "its unprotected header: an empty map"),
        (head(BYTES, ED25519.signature_size), f"{ED25519.signature_size} bytes"),
        (ED25519.signature_size, "the signature"),
    ]


def parts_of_the_signed_bytes() -> list[PagePart]:
    """What one Ed25519 key signs for a record of two builds, piece by piece."""
    header = signer_header(ED25519, bytes(FINGERPRINT_SIZE))
    context = encoded("Signature")
    size = record_size(2)
    return [
        (head(ARRAY, 5), "an array of 5"),
        (context[:1], f"text of {len(context) - 1} bytes"),
        (len(context) - 1, '"Signature"'),
        (head(BYTES, len(BODY_HEADER)), f"{len(BODY_HEADER)} bytes"),
        (len(BODY_HEADER), "the seal's protected header, from A1 on"),
        (head(BYTES, len(header)), f"{len(header)} bytes"),
        (len(header), "the signer's protected header, from A2 on"),
        (encoded(b""), "no external data"),
        (head(BYTES, size), f"{size} bytes, for a record of two builds"),
        (size, "the record, from its mark to its CRC"),
    ]


def _rows(parts: Iterable[PagePart]) -> Iterator[str]:
    yield "from  size  bytes           meaning"
    offset = 0
    for content, meaning in parts:
        size = content if isinstance(content, int) else len(content)
        shown = "..." if isinstance(content, int) else content.hex(" ").upper()
        yield f"0x{offset:02X}  {size:>4}  {shown:<14}  {meaning}"
        offset += size


def _sizes() -> Iterator[str]:
    yield f"{seal_size([ED25519])} bytes for one {ED25519.name} signer,"
    yield f"{seal_size([ECDSA_P256, ML_DSA_65]):,} for {ECDSA_P256.name} with {ML_DSA_65.name}."


def _algorithms() -> Iterator[str]:
    marks = {Registration.READ: "", Registration.EXAMPLES: "*", Registration.RFC_9964: "**"}
    yield "                COSE                public  signature  seal of   same bytes"
    yield "name            id     name         key     (bytes)    it alone  each time"
    for each in ALGORITHMS:
        cose_id = f"{each.cose_id}{marks[each.evidence]}"
        same = "yes" if each.same_bytes else "no"
        yield (
            f"{each.name:<14}  {cose_id:<5}  {each.cose_name:<11}  {each.public_key_size:>5,}   "
            f"{each.signature_size:>5,}      {seal_size([each]):>5,}     {same}"
        )
    yield ""
    for each in ALGORITHMS:
        yield f"{each.name:<14}  {each.source}"
    yield ""
    yield f" * {Registration.EXAMPLES.value}"
    yield f"** {Registration.RFC_9964.value}"
    yield "Sections of FIPS 186-5, RFC 8017 and RFC 8230 are named from memory."


def _faults() -> Iterator[str]:
    makers = (SealFault.NO_SIGNER, SealFault.TOO_MANY_SIGNERS, SealFault.NO_ROOM, SealFault.BAD_SIGNATURE)
    faults = [fault for fault in SealFault if fault not in makers] + [SealFault.BAD_SIGNATURE]
    for fault in faults:
        yield from wrapped(fault.value, _WIDTH, "- ")
