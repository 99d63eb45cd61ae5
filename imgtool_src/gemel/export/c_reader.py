"""A C99 header that finds and validates the record, walks its builds and its seal, and checks CRCs.

The code is the template ``gemel_record.h`` next to this file; structs, their compile-time checks, constants and
errors are filled in from the table of the record's format, so that they follow the format by themselves.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from gemel.record.format import (
    BUILD,
    CRC_SIZE,
    FORMAT,
    HEADER,
    MARK,
    MAX_BUILDS,
    NO_VECTORS,
    RECORD_ALIGNMENT,
    ROLES,
    RecordFault,
    record_size,
)
from gemel.seals.cbor import ARRAY, encoded, head
from gemel.seals.cose import MAX_SIGNERS
from gemel.seals.format import BODY_HEADER, FINGERPRINT_SIZE, bytes_to_sign
from gemel.seals.keys.algorithms import ALGORITHMS, SignatureAlgorithm
from gemel.seals.reading import HEAD
from gemel.text.templates import environment

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


FILE_NAME = "gemel_record.h"
"""The name of the header."""

READER_ERRORS = {
    "MISALIGNED": (14, "the address or step is not a multiple of 4"),
    "BUILD_OUTSIDE": (15, "a build is outside the memories given"),
    "BUILD_CRC": (16, "a build's bytes do not have the CRC that the record states"),
}
"""Errors of the reader's own, besides the faults of a record: code and text by name."""

_STRUCTS = {"gemel_record": HEADER, "gemel_build": BUILD}


def c_reader() -> str:
    """The header's text: self-contained C99, also valid C++, without warnings under ``-Wall -Wextra``."""
    made = environment(__package__, lambda value: value, autoescape=False)
    made.filters.update(c_byte="0x{:02X}".format, c_word="0x{:08X}u".format, c_bytes=_bytes, c_lines=_lines)
    return made.get_template(FILE_NAME).render(
        mark=MARK,
        format=FORMAT,
        alignment=RECORD_ALIGNMENT,
        max_builds=MAX_BUILDS,
        crc_size=CRC_SIZE,
        name_size=max(field.size for fields in _STRUCTS.values() for field in fields if field.kind == "text"),
        no_vectors=NO_VECTORS,
        roles=ROLES,
        structs=_STRUCTS,
        types={"u16": "uint16_t", "u32": "uint32_t", "text": "char"},
        errors=sorted(_errors()),
        crc_table=[_crc(value) for value in range(16)],
        **seal_facts(),
    )


def _errors() -> Iterator[tuple[int, str, str]]:
    """Code, enumerator and text of every error."""
    yield 0, "SOUND", "sound"
    yield from ((fault.code, fault.name, fault.meaning) for fault in RecordFault if fault.code)
    yield from ((code, name, text) for name, (code, text) in READER_ERRORS.items())


def _bytes(data: bytes) -> str:
    return ", ".join(f"0x{byte:02X}u" for byte in data)


def _lines(data: bytes) -> str:
    """The bytes of a define that takes several lines."""
    rows = [_bytes(data[start : start + 14]) for start in range(0, len(data), 14)]
    return "\\\n    " + ", \\\n    ".join(rows)


def _crc(value: int) -> int:
    """The CRC of half a byte: polynomial 0x04C11DB7, reflected."""
    for _ in range(4):
        value = value >> 1 ^ (0xEDB88320 if value & 1 else 0)
    return value
