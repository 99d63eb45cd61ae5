"""Provenance: read and verified by the libraries that implement DSSE and in-toto; damaged ones end in words."""

from __future__ import annotations

import base64
import json
from copy import deepcopy

import pytest
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat, load_pem_public_key
from google.protobuf.json_format import Parse
from in_toto_attestation.v1.statement import Statement as PublishedStatement
from in_toto_attestation.v1.statement_pb2 import Statement as StatementMessage
from releases import ED25519, Keys, released, write_device
from seal_keys import every_key, key_for, other_key
from securesystemslib.dsse import Envelope as PublishedEnvelope
from securesystemslib.exceptions import VerificationError
from securesystemslib.signer import SSlibKey
from small_device import SAMPLER_ID, STATION_ID

from gemel.errors import UsageProblem
from gemel.release.provenance import (
    PREDICATE,
    STATEMENT,
    Envelope,
    envelope_text,
    holds,
    pae,
    read_envelope,
    read_statement,
    signed,
)

SCHEMES = {
    "Ed25519": ("ed25519", "ed25519"),
    "ECDSA-P256": ("ecdsa", "ecdsa-sha2-nistp256"),
    "ECDSA-P384": ("ecdsa", "ecdsa-sha2-nistp384"),
    "RSA-3072-PSS": ("rsa", "rsassa-pss-sha256"),
    "RSA-4096-PSS": ("rsa", "rsassa-pss-sha384"),
}
"""Key type and scheme of each algorithm in securesystemslib; it has none for ML-DSA."""


def published_key(key) -> SSlibKey:
    """The key as securesystemslib has it."""
    kind, scheme = SCHEMES[key.algorithm.name]
    public = key.public_key.to_pem().decode()
    if kind == "ed25519":
        raw = load_pem_public_key(public.encode()).public_bytes(Encoding.Raw, PublicFormat.Raw)
        public = raw.hex()
    return SSlibKey(key.public_key.fingerprint.hex(), kind, scheme, {"public": public})


@pytest.fixture(scope="module")
def provenance(tmp_path_factory) -> bytes:
    """The provenance of a sealed release."""
    return released(
        write_device(tmp_path_factory.mktemp("device")), builder="https://ci.harbour.example/r/1"
    ).files["provenance.json"]


@pytest.mark.parametrize("name", SCHEMES)
def test_securesystemslib_verifies_every_classical_algorithm(name):
    """The envelope, its pre-authentication encoding and the form of each signature are DSSE's."""
    key = key_for(name)
    data = json.loads(envelope_text(signed(b'{"a": 1}', [key])))
    envelope = PublishedEnvelope.from_dict(deepcopy(data))
    assert envelope.payload == b'{"a": 1}'
    assert envelope.verify([published_key(key)], 1)
    data["payload"] = base64.b64encode(b'{"a": 2}').decode()
    with pytest.raises(VerificationError):
        PublishedEnvelope.from_dict(data).verify([published_key(key)], 1)


def test_pre_authentication_encoding():
    """The example of DSSE's protocol: type http://example.com/HelloWorld, body "hello world" (from memory)."""
    expected = b"DSSEv1 29 http://example.com/HelloWorld 11 hello world"
    assert pae("http://example.com/HelloWorld", b"hello world") == expected
    assert PublishedEnvelope(b"hello world", "http://example.com/HelloWorld", {}).pae() == expected


@pytest.mark.parametrize("key", every_key(), ids=lambda key: key.algorithm.name)
def test_our_reader_verifies_every_algorithm(key):
    """Signatures hold for their key and payload, and for no other."""
    envelope = read_envelope(envelope_text(signed(b"{}", [key])), "")
    assert holds(envelope, envelope.signatures[0], key.public_key)
    assert not holds(envelope, envelope.signatures[0], other_key(3).public_key)
    other = Envelope(b"{ }", envelope.payload_type, envelope.signatures)
    assert not holds(other, other.signatures[0], key.public_key)


POST_QUANTUM = [key for key in every_key() if key.algorithm.name not in SCHEMES]


@pytest.mark.parametrize("key", POST_QUANTUM, ids=lambda key: key.algorithm.name)
def test_a_lattice_signature_is_verified_by_the_crypto_library_alone(key):
    """ML-DSA signs DSSE's encoding, which is written out here; no library for DSSE has the algorithm yet."""
    from cryptography.exceptions import InvalidSignature

    data = json.loads(envelope_text(signed(b'{"a": 1}', [key])))
    signature = base64.b64decode(data["signatures"][0]["sig"], validate=True)
    kind = data["payloadType"].encode()
    encoded = b"DSSEv1 %d %s 8 " % (len(kind), kind)
    public = load_pem_public_key(key.public_key.to_pem())
    public.verify(signature, encoded + b'{"a": 1}')  # type: ignore[union-attr, call-arg]
    with pytest.raises(InvalidSignature):
        public.verify(signature, encoded + b'{"a": 2}')  # type: ignore[union-attr, call-arg]


def test_two_signers_meet_a_threshold_of_two(tmp_path):
    """Every key of the image signs the provenance, so a policy of two holds."""
    keys = [key_for("Ed25519"), key_for("ECDSA-P256")]
    made = released(write_device(tmp_path, '\n[seal]\narea = "seal"\n'), Keys(*keys))
    envelope = PublishedEnvelope.from_dict(json.loads(made.files["provenance.json"]))
    assert len(envelope.verify([published_key(key) for key in keys], 2)) == 2


def test_in_toto_reads_the_statement(provenance):
    """It is a Statement v1 by the published library, with SLSA's predicate."""
    payload = PublishedEnvelope.from_dict(json.loads(provenance)).payload
    message = Parse(payload.decode(), StatementMessage())
    PublishedStatement.copy_from_pb(message).validate()
    assert (message.type, message.predicate_type) == (STATEMENT, PREDICATE)
    assert len({subject.name for subject in message.subject}) == len(message.subject)


def test_the_statement_says_what_went_in_and_what_came_out(tmp_path):
    """Subjects are all files but the provenance and the digests; materials are layout, builds and the image before."""
    import hashlib

    first = released(write_device(tmp_path / "a"))
    previous = tmp_path / "before.hex"
    previous.write_bytes(first.files["small-device-1.2.3.hex"])
    device = write_device(tmp_path / "b")
    files = released(device, previous=previous, version="2.0.0", rollback=9).files
    statement = read_statement(read_envelope(files["provenance.json"], "").payload, "")
    assert set(statement.subjects) == set(files) - {"provenance.json", "SHA256SUMS"}
    assert {hashlib.sha256(files[name]).hexdigest() for name in statement.subjects} == set(
        statement.subjects.values()
    )
    assert set(statement.materials) == {"layout", "build station", "build sampler", "previous image"}
    assert dict(statement.materials["build station"].annotations)["buildId"] == STATION_ID.hex()
    assert dict(statement.materials["build sampler"].annotations)["buildId"] == SAMPLER_ID.hex()
    assert statement.materials["previous image"].sha256 == hashlib.sha256(previous.read_bytes()).hexdigest()
    assert (statement.parameters["version"], statement.parameters["rollback"]) == ("2.0.0", 9)


def test_the_builder_is_named_or_said_not_to_be(provenance, tmp_path):
    """--builder is the builder's id; without it nothing is claimed."""
    named = read_statement(read_envelope(provenance, "").payload, "")
    assert named.builder == "https://ci.harbour.example/r/1"
    made = released(write_device(tmp_path), ED25519)
    unnamed = read_statement(read_envelope(made.files["provenance.json"], "").payload, "")
    assert unnamed.builder == "urn:gemel:unattested-builder"


DAMAGED = [
    b"",
    b"[]",
    b"{}",
    b'{"payload": 1, "payloadType": "x", "signatures": []}',
    b'{"payload": "%%%", "payloadType": "x", "signatures": []}',
    b'{"payload": "", "payloadType": 3, "signatures": []}',
    b'{"payload": "", "payloadType": "x", "signatures": [3]}',
    b'{"payload": "", "payloadType": "x", "signatures": {"a": 1}}',
    b"[" * 100_000,
    b"\xff",
]


@pytest.mark.parametrize("data", DAMAGED, ids=range(len(DAMAGED)))
def test_damaged_envelopes_and_statements_are_said_so(data):
    """One problem in words, never a traceback."""
    with pytest.raises(UsageProblem):
        read_envelope(data, "provenance.json")
    with pytest.raises(UsageProblem):
        read_statement(data, "provenance.json")


def test_url_safe_base64_is_read_too():
    """A reader accepts both alphabets (DSSE, envelope)."""
    made = json.loads(envelope_text(signed(b"\xfb\xff?>", [key_for("Ed25519")])))
    made["payload"] = made["payload"].replace("+", "-").replace("/", "_")
    assert read_envelope(json.dumps(made).encode(), "").payload == b"\xfb\xff?>"
