"""The part of the C reader that goes from the record to its seal.

The code is in ``seal_reader.h`` next to this file; its constants follow from ``seal_format`` and the registry
of algorithms.  It knows no CBOR: a seal has one form, so the reader compares bytes.
"""

from __future__ import annotations

from collections.abc import Iterator

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


def c_seal_reader() -> str:
    """The text of this part, without a guard of its own."""
    from importlib.resources import files

    text = files("gemel.export").joinpath("seal_reader.h").read_text(encoding="utf-8")
    parts = {
        "seal-defines": _defines(),
        "seal-errors": _errors(),
        "seal-texts": _texts(),
        "seal-sizes": _sizes(),
    }
    for name, lines in parts.items():
        text = text.replace(f"/* @{name}@ */", "\n".join(lines))
    return text


def c_name(algorithm: SignatureAlgorithm) -> str:
    """The name of an algorithm's number: GEMEL_SEAL_ECDSA_P256."""
    return f"GEMEL_SEAL_{algorithm.name.upper().replace('-', '_')}"


def _defines() -> Iterator[str]:
    most = max(prefix_size(algorithm) for algorithm in ALGORITHMS)
    yield f"#define GEMEL_SEAL_HEAD {_bytes(HEAD)}"
    yield f"#define GEMEL_SEAL_HEAD_SIZE {len(HEAD)}u"
    yield f"#define GEMEL_SEAL_SIGNED_HEAD {_bytes(SIGNED_HEAD)}"
    yield f"#define GEMEL_SEAL_PREFIX_SIZE {most}u"
    yield f"#define GEMEL_SEAL_MAX_SIGNED {most + record_size(MAX_BUILDS)}u"
    yield f"#define GEMEL_SEAL_MAX_SIGNERS {MAX_SIGNERS}u"
    yield f"#define GEMEL_SEAL_KEY_ID_SIZE {FINGERPRINT_SIZE}u"
    for algorithm in ALGORITHMS:
        yield f"#define {c_name(algorithm)} ({algorithm.cose_id})"


def _bytes(data: bytes) -> str:
    """The bytes as C writes them, the lines of a define joined."""
    words = [f"0x{byte:02X}u" for byte in data]
    lines = [", ".join(words[start : start + 14]) for start in range(0, len(words), 14)]
    return "\\\n    " + ", \\\n    ".join(lines)


def _errors() -> Iterator[str]:
    yield "enum gemel_seal_error {"
    yield ",\n".join(f"    GEMEL_SEAL_{name} = {code}" for name, (code, _) in SEAL_ERRORS.items())
    yield "};"


def _texts() -> Iterator[str]:
    for name, (_, text) in SEAL_ERRORS.items():
        yield f"    case GEMEL_SEAL_{name}:"
        yield f'        return "{text}";'


def _sizes() -> Iterator[str]:
    for algorithm in ALGORITHMS:
        yield f"    case {c_name(algorithm)}:"
        yield f"        return {algorithm.signature_size}u;"
