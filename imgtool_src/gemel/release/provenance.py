"""Provenance: an in-toto statement with SLSA's predicate, of how the files of a release were made, in a DSSE envelope.

    _type          https://in-toto.io/Statement/v1
    subject        every file of the folder but this one and SHA256SUMS, by SHA-256
    predicateType  https://slsa.dev/provenance/v1
    predicate      buildDefinition: what was requested, by digest what went in (layout, builds, SBOMs, VEX, ...)
                   runDetails: who ran it (--builder), with which gemel

It names no time, host or user: the same inputs give the same bytes.

The envelope is DSSE's, for signed documents of any type:

    {"payload": base64, "payloadType": TYPE, "signatures": [{"keyid": fingerprint, "sig": base64}, ...]}

Signed are not the envelope's bytes but PAE(TYPE, payload) = "DSSEv1" SP len(TYPE) SP TYPE SP len(payload) SP payload
(DSSE 1.0, protocol).  Signatures are in the form that its implementations verify: ECDSA in DER, not as COSE has it.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Any

from gemel.errors import UsageProblem
from gemel.release.contents import ReleaseContents
from gemel.seals.cose import MAX_SIGNERS
from gemel.seals.keys.algorithms import ECDSA_P256, ECDSA_P384, SignatureAlgorithm
from gemel.seals.keys.keys import PublicKey, Signer
from gemel.seals.keys.schemes import fixed_ecdsa
from gemel.structs import NamedTuple, Struct
from gemel.text.as_json import json_text
from gemel.version import __version__

STATEMENT = "https://in-toto.io/Statement/v1"
PREDICATE = "https://slsa.dev/provenance/v1"
BUILD_TYPE = "urn:gemel:release:1"
"""What the parameters mean: layout and builds joined by ``gemel release`` (SLSA provenance v1, buildType, a URI)."""

BUILDER = "urn:gemel:unattested-builder"
"""The builder where nobody says who it is."""


class Material(NamedTuple):
    """A file that went in: its role (``layout``, ``build station``), its name, its digest and what else is known."""

    role: str
    file: str
    sha256: str
    annotations: tuple[tuple[str, str], ...] = ()


def statement_text(
    contents: ReleaseContents,
    files: Mapping[str, bytes],
    materials: Sequence[Material],
    parameters: Mapping[str, Any],
    builder: str,
) -> bytes:
    """The statement about ``files`` by name, made of ``materials`` with ``parameters``, by ``builder`` (a URI)."""
    return json_text(
        {
            "_type": STATEMENT,
            "subject": [
                {"name": name, "digest": {"sha256": hashlib.sha256(data).hexdigest()}}
                for name, data in sorted(files.items())
            ],
            "predicateType": PREDICATE,
            "predicate": {
                "buildDefinition": {
                    "buildType": BUILD_TYPE,
                    "externalParameters": {
                        "product": contents.product,
                        "version": contents.version,
                        "rollback": contents.rollback,
                        "layout": contents.layout,
                        "layoutDigest": contents.layout_sha256,
                        **parameters,
                    },
                    "resolvedDependencies": [
                        {
                            "name": material.role,
                            "digest": {"sha256": material.sha256},
                            "annotations": {"file": material.file, **dict(material.annotations)},
                        }
                        for material in materials
                    ],
                },
                "runDetails": {"builder": {"id": builder, "version": {"gemel": __version__}}},
            },
        }
    ).encode("ascii")


class Statement(NamedTuple):
    """What is read of a statement: digests of subjects and materials by name, and the parameters."""

    subjects: dict[str, str]
    materials: dict[str, Material]
    parameters: dict[str, Any]
    builder: str


def read_statement(data: bytes, where: str) -> Statement:
    """The statement in ``data``; raises UsageProblem for another type, predicate or form."""
    try:
        found = json.loads(data)
        if found["_type"] != STATEMENT or found["predicateType"] != PREDICATE:
            raise ValueError(f"{found['_type']!r:.80} with {found['predicateType']!r:.80}")
        definition = found["predicate"]["buildDefinition"]
        if definition["buildType"] != BUILD_TYPE:
            raise ValueError(f"build type {definition['buildType']!r:.80}")
        subjects = {str(each["name"]): str(each["digest"]["sha256"]) for each in found["subject"]}
        materials = {}
        for each in definition["resolvedDependencies"]:
            notes = {str(key): str(value) for key, value in each.get("annotations", {}).items()}
            role, file = str(each["name"]), notes.pop("file", "")
            materials[role] = Material(
                role, file, str(each["digest"]["sha256"]), tuple(sorted(notes.items()))
            )
        if len(subjects) < len(found["subject"]):
            raise ValueError("a subject is named twice")
        parameters = dict(definition["externalParameters"])
        return Statement(
            subjects, materials, parameters, str(found["predicate"]["runDetails"]["builder"]["id"])
        )
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        what, expected = "not an in-toto statement of SLSA provenance v1", f"{STATEMENT} with {PREDICATE}"
        raise UsageProblem(what, where=where, found=str(error)[:200], expected=expected) from error


IN_TOTO = "application/vnd.in-toto+json"
"""The payload type of in-toto statements (in-toto attestation framework, envelope)."""

MAX_SIGNATURES = MAX_SIGNERS
"""Of an envelope that are read: those of the image's keys."""


class DsseSignature(Struct):
    """One signature of an envelope; ``keyid`` is a hint, of gemel the key's fingerprint in hexadecimal."""

    keyid: str
    signature: bytes


class Envelope(Struct):
    """An envelope, as yet unverified."""

    payload: bytes
    payload_type: str
    signatures: tuple[DsseSignature, ...]


def pae(payload_type: str, payload: bytes) -> bytes:
    """The bytes that are signed (DSSE, pre-authentication encoding)."""
    kind = payload_type.encode("utf-8", "surrogatepass")
    return b"DSSEv1 %d %s %d %s" % (len(kind), kind, len(payload), payload)


def signed(payload: bytes, signers: Sequence[Signer]) -> Envelope:
    """An envelope of an in-toto statement, signed by all ``signers``; raises whatever a signer raises."""
    text = pae(IN_TOTO, payload)
    signatures = []
    for signer in sorted(signers, key=lambda each: each.public_key.fingerprint):
        signature = _in_der(signer.algorithm, signer.sign(text))
        signatures.append(DsseSignature(signer.public_key.fingerprint.hex(), signature))
    return Envelope(payload, IN_TOTO, tuple(signatures))


def envelope_text(envelope: Envelope) -> bytes:
    """The envelope as JSON, the same for equal envelopes."""
    data = {
        "payload": base64.b64encode(envelope.payload).decode("ascii"),
        "payloadType": envelope.payload_type,
        "signatures": [
            {"keyid": each.keyid, "sig": base64.b64encode(each.signature).decode("ascii")}
            for each in envelope.signatures
        ],
    }
    return json_text(data).encode("ascii")


def read_envelope(data: bytes, where: str) -> Envelope:
    """The envelope in ``data``; raises UsageProblem for anything else."""
    try:
        found = json.loads(data)
        if len(found["signatures"]) > MAX_SIGNATURES:
            raise ValueError(f"more than {MAX_SIGNATURES} signatures")
        return Envelope(
            _decoded(found["payload"]),
            _text(found["payloadType"]),
            tuple(
                DsseSignature(_text(each.get("keyid", "")), _decoded(each["sig"]))
                for each in found["signatures"]
            ),
        )
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        what, found_words = "not a DSSE envelope", str(error)[:200]
        expected = "payload, payloadType and signatures"
        raise UsageProblem(what, where=where, found=found_words, expected=expected) from error


def holds(envelope: Envelope, signature: DsseSignature, key: PublicKey) -> bool:
    """Whether ``signature`` is one by ``key`` over the envelope's payload; never raises."""
    made = signature.signature
    if key.algorithm in (ECDSA_P256, ECDSA_P384):
        try:
            made = fixed_ecdsa(key.algorithm, made)
        except ValueError:
            return False
    return key.verify(made, pae(envelope.payload_type, envelope.payload))


def _in_der(algorithm: SignatureAlgorithm, signature: bytes) -> bytes:
    """A signature as DSSE's implementations have it: ECDSA in DER (SEC 1 C.5), all others as they are."""
    if algorithm not in (ECDSA_P256, ECDSA_P384):
        return signature
    from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature

    half = len(signature) // 2
    return encode_dss_signature(
        int.from_bytes(signature[:half], "big"), int.from_bytes(signature[half:], "big")
    )


def _decoded(text: Any) -> bytes:
    """Base64, standard or URL-safe: a reader accepts both (DSSE, envelope)."""
    if not isinstance(text, str):
        raise ValueError("no base64 text")
    try:
        return base64.b64decode(text.replace("-", "+").replace("_", "/"), validate=True)
    except binascii.Error as error:
        raise ValueError(str(error)) from error


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError("no text")
    return value
