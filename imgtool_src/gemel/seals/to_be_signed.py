"""The bytes to be signed: read back, as a signing room sees them without the image, and how OpenSSL signs them.

    85  an array of 5 (RFC 9052 4.4, Sig_structure):
        "Signature", the seal's protected header, the signer's protected header, no external data, the record

Everything that can be said of the request follows from these bytes; nothing else needs to be believed.

Commands for ML-DSA need OpenSSL 3.5 and are from memory.
"""

from __future__ import annotations

from collections.abc import Iterator

from gemel.errors import GemelError, Problem
from gemel.record.record import BuildEntry, Record, RecordError, decode, record_size
from gemel.seals.cbor import CborError, CborReader
from gemel.seals.cose import ALGORITHM, KEY_ID
from gemel.seals.format import BODY_HEADER, bytes_to_sign
from gemel.seals.keys.algorithms import ALGORITHMS, SignatureAlgorithm, algorithm_of_cose_id
from gemel.spans import format_address, format_size
from gemel.structs import Struct, fields

MAX_REQUEST = 64 << 10
"""Bytes; those of a record of as many builds as it may have take less."""


class RequestError(GemelError):
    """Bytes are no request for a seal's signature."""


class ToBeSigned(Struct):
    """What one key is asked to sign; ``data`` are all the bytes, ``record_bytes`` the record in them."""

    algorithm: SignatureAlgorithm
    key_fingerprint: bytes
    record: Record
    record_bytes: bytes
    data: bytes


def read_to_be_signed(data: bytes, where: str) -> ToBeSigned:
    """The request in ``data``; raises RequestError for anything that ``bytes_to_sign`` would not have made."""
    try:
        return _read(data, where)
    except CborError as error:
        raise RequestError(_not_a_request(where, str(error))) from error
    except RecordError as error:
        raise RequestError(error.problems) from error


def _read(data: bytes, where: str) -> ToBeSigned:
    reader = CborReader(data)
    reader.array(5, 5)
    if reader.value() != "Signature":
        raise RequestError(_not_a_request(where, "another context than Signature"))
    if reader.byte_string() != BODY_HEADER:
        raise RequestError(_not_a_request(where, "they do not say that they sign a record"))
    header = CborReader(reader.byte_string()).header_map(2)
    external, record_bytes = reader.byte_string(), reader.byte_string()
    reader.end()
    cose_id, key_id = header.get(ALGORITHM), header.get(KEY_ID)
    algorithm = algorithm_of_cose_id(cose_id) if isinstance(cose_id, int) else None
    if algorithm is None or not isinstance(key_id, bytes) or external:
        raise RequestError(_not_a_request(where, "no algorithm and key that a seal can have"))
    record = decode(record_bytes, f"{where}, the record")
    size = record_size(len(record.builds))
    try:
        made = bytes_to_sign(record_bytes[:size], algorithm, key_id)
    except ValueError as error:
        raise RequestError(_not_a_request(where, str(error))) from error
    if made != data:
        raise RequestError(_not_a_request(where, "other bytes than these values give"))
    return ToBeSigned(algorithm, key_id, record, record_bytes, bytes(data))


def _not_a_request(where: str, found: str) -> Problem:
    step = "take the file that gemel sign --to-be-signed wrote, unchanged"
    return Problem(
        "not the bytes to be signed of a seal", where=where, found=found, expected="them", next_step=step
    )


def request_lines(request: ToBeSigned) -> Iterator[str]:
    """Everything that the bytes say, for the person who signs them."""
    from hashlib import sha256

    record = request.record
    yield f"to be signed: {record.product} {record.version}, rollback counter {record.rollback}"
    yield f"  algorithm    {request.algorithm.name}"
    yield f"  key          {request.key_fingerprint.hex()}"
    yield f"  these bytes  {sha256(request.data).hexdigest()}"
    yield f"  record       {sha256(request.record_bytes).hexdigest()}"
    for words, value in _values(record):
        yield f"  {words:<12} {value}"
    for build in record.builds:
        yield f"  build {build.name} for core {build.core}, {build.role}"
        for words, value in _build_values(build):
            yield f"    {words:<10} {value}"


def differences(asked: Record, found: Record) -> Iterator[str]:
    """What ``found`` says otherwise than ``asked``: a line each."""
    for words, value, other in (
        ("product", asked.product, found.product),
        ("version", asked.version, found.version),
        ("rollback counter", asked.rollback, found.rollback),
    ):
        if value != other:
            yield f"{words} {other}, not {value}"
    for (words, value), (_, other) in zip(_values(asked), _values(found), strict=True):
        if value != other:
            yield f"{words} {other}, not {value}"
    ours, theirs = ({build.name: build for build in record.builds} for record in (asked, found))
    if set(ours) != set(theirs):
        yield f"builds {', '.join(theirs)}, not {', '.join(ours)}"
    for name in sorted(set(ours) & set(theirs)):
        changed = [
            each.replace("_", " ")
            for each in fields(BuildEntry)
            if getattr(ours[name], each) != getattr(theirs[name], each)
        ]
        if changed:
            yield f"build {name}: another {', '.join(changed)}"


def _values(record: Record) -> list[tuple[str, str]]:
    return [
        ("vendor id", str(record.vendor_id or "none")),
        ("class id", str(record.class_id or "none")),
        ("layout", record.layout_sha256.hex()),
        ("other flash", record.rest_sha256.hex()),
    ]


def _build_values(build: BuildEntry) -> list[tuple[str, str]]:
    vectors = "none" if build.vector_address is None else format_address(build.vector_address)
    return [
        ("stored", f"{build.stored}, {format_size(build.stored_size)}"),
        ("runs at", f"{format_address(build.run_start)}, vectors {vectors}"),
        ("build id", build.build_id.hex() or "none"),
        ("CRC-32", f"0x{build.crc32:08X}"),
        ("SHA-256", build.sha256.hex()),
    ]


_DIGESTS = {
    "ECDSA-P256": "sha256",
    "ECDSA-P384": "sha384",
    "RSA-3072-PSS": "sha256",
    "RSA-4096-PSS": "sha384",
}
_PSS = ("-sigopt", "rsa_padding_mode:pss", "-sigopt", "rsa_pss_saltlen:digest")


def openssl_command(algorithm: SignatureAlgorithm, key: str, data: str, signature: str) -> list[str]:
    """The words of the openssl command that signs the file ``data`` with the key file ``key``."""
    if algorithm.name in _DIGESTS:
        padding = _PSS if algorithm.name.startswith("RSA") else ()
        digest = f"-{_DIGESTS[algorithm.name]}"
        return ["openssl", "dgst", digest, *padding, "-sign", key, "-out", signature, data]
    raw = () if algorithm.quantum_safe else ("-rawin",)
    return ["openssl", "pkeyutl", "-sign", *raw, "-inkey", key, "-in", data, "-out", signature]


def openssl_lines(width: int = 79) -> Iterator[str]:
    """A line or two for each algorithm: its name, and the command with KEY, BYTES and SIG for the files."""
    seen: set[str] = set()
    for each in ALGORITHMS:
        name = "ML-DSA" if each.quantum_safe else each.name
        if name in seen:
            continue
        seen.add(name)
        line = f"{name:<13}"
        for word in _pieces(openssl_command(each, "KEY", "BYTES", "SIG")):
            if len(line) + 1 + len(word) > width:
                yield line
                line = " " * 15
            line += f" {word}" if line.strip() else word
        yield line


def _pieces(words: list[str]) -> Iterator[str]:
    """The words, an option with its value after it in one piece."""
    rest = iter(words)
    for word in rest:
        takes_value = word in ("-sigopt", "-sign", "-out", "-inkey", "-in") and words[1] == "dgst"
        takes_value = takes_value or word in ("-out", "-inkey", "-in")
        yield f"{word} {next(rest)}" if takes_value else word
