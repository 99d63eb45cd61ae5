"""Seals against other people's code: a COSE library, plain cryptography, and the openssl command."""

from __future__ import annotations

import subprocess
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cbor2
import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, padding
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from dilithium_py.ml_dsa import ML_DSA_65, ML_DSA_87
from pycose.keys import EC2Key, OKPKey, RSAKey
from pycose.keys.curves import P256, P384, Ed25519
from pycose.messages import SignMessage
from records import tide_gauge_record
from seal_keys import every_key, key_for, sign_all
from tools import required_tool

from gemel.record import record
from gemel.seals.keys.algorithms import algorithm_names
from gemel.seals.keys.keys import PrivateKey, PublicKey
from gemel.seals.seal import (
    bytes_to_sign,
    make_seal,
    read_seal,
    signature_made_elsewhere,
    verify,
)

RECORD = record.encode(tide_gauge_record())
OTHER_RECORD = RECORD[:-1] + bytes([RECORD[-1] ^ 1])
IN_PYCOSE = ("Ed25519", "ECDSA-P256", "ECDSA-P384", "RSA-3072-PSS", "RSA-4096-PSS")
"""The algorithms that the package pycose has; ML-DSA it has not."""


def plain(value: Any) -> Any:
    """What cbor2 read, in the lists and dicts that pycose takes apart."""
    if isinstance(value, (list, tuple)):
        return [plain(each) for each in value]
    if isinstance(value, Mapping):
        return {key: plain(each) for key, each in value.items()}
    return value


def pycose_key(key: PublicKey) -> Any:
    """The key as pycose has it."""
    library = key._key
    if key.algorithm.name == "Ed25519":
        return OKPKey(crv=Ed25519, x=library.public_bytes_raw())
    numbers = library.public_numbers()
    if key.algorithm.name.startswith("ECDSA"):
        size = key.algorithm.signature_size // 2
        x, y = (each.to_bytes(size, "big") for each in (numbers.x, numbers.y))
        return EC2Key(crv={32: P256, 48: P384}[size], x=x, y=y)
    return RSAKey(n=numbers.n.to_bytes(library.key_size // 8, "big"), e=numbers.e.to_bytes(3, "big"))


def pycose_private_key(key: PrivateKey) -> Any:
    """The private key as pycose has it."""
    public, library = pycose_key(key.public_key), key._key
    if key.algorithm.name == "Ed25519":
        return OKPKey(crv=Ed25519, x=public.x, d=library.private_bytes_raw())
    numbers = library.private_numbers()
    if key.algorithm.name.startswith("ECDSA"):
        size = key.algorithm.signature_size // 2
        return EC2Key(crv=public.crv, x=public.x, y=public.y, d=numbers.private_value.to_bytes(size, "big"))
    size = library.key_size // 8
    parts = (numbers.d, numbers.p, numbers.q, numbers.dmp1, numbers.dmq1, numbers.iqmp)
    d, p, q, dp, dq, qinv = (each.to_bytes(size, "big").lstrip(b"\0") for each in parts)
    return RSAKey(n=public.n, e=public.e, d=d, p=p, q=q, dp=dp, dq=dq, qinv=qinv)


def by_pycose(seal: bytes, key: PublicKey, record_bytes: bytes) -> list[bool]:
    """What pycose says of each signer that names ``key``."""
    message = SignMessage.from_cose_obj(plain(cbor2.loads(seal).value), True)
    said = []
    for signer in message.signers:
        signer.external_aad = b""
        if cbor2.loads(signer.phdr_encoded)[4] == key.fingerprint:
            signer.key = pycose_key(key)
            said.append(signer.verify_signature(detached_payload=record_bytes))
    return said


@pytest.mark.parametrize("name", IN_PYCOSE)
def test_an_independent_cose_library_verifies_our_seals(name: str) -> None:
    """The package pycose verifies our signer among all, by its own reading and its own Sig_structure, and
    rejects it over another record."""
    key = key_for(name)
    seal = sign_all(RECORD, [key_for(each) for each in IN_PYCOSE])
    assert by_pycose(seal, key.public_key, RECORD) == [True]
    assert by_pycose(seal, key.public_key, OTHER_RECORD) == [False]


@pytest.mark.parametrize("name", IN_PYCOSE)
def test_a_seal_is_made_of_what_an_independent_cose_library_signs(name: str) -> None:
    """pycose, given the headers of a seal and the private key, signs the bytes that we state; its signature
    makes a good seal."""
    key = key_for(name)
    message = SignMessage.from_cose_obj(plain(cbor2.loads(sign_all(RECORD, [key])).value), True)
    (signer,) = message.signers
    signer.external_aad = b""
    signer.key = pycose_private_key(key)
    signature = signer.compute_signature(detached_payload=RECORD)
    assert signer._create_sig_structure(RECORD) == bytes_to_sign(
        RECORD, key.algorithm, key.public_key.fingerprint
    )
    seal = make_seal(RECORD, [(key.public_key, signature)])
    (verdict,) = verify(read_seal(seal, 0xFF, "area seal"), RECORD, [key.public_key])
    assert verdict.good


def verified_plainly(name: str, key: Any, signature: bytes, signed: bytes) -> None:
    """Verify with the library cryptography alone (ML-DSA: with dilithium-py); raises InvalidSignature."""
    if name == "Ed25519":
        key.verify(signature, signed)
    elif name.startswith("ECDSA"):
        half = len(signature) // 2
        der = encode_dss_signature(
            int.from_bytes(signature[:half], "big"), int.from_bytes(signature[half:], "big")
        )
        key.verify(der, signed, ec.ECDSA({32: hashes.SHA256(), 48: hashes.SHA384()}[half]))
    elif name.startswith("RSA"):
        hashing = {"RSA-3072-PSS": hashes.SHA256(), "RSA-4096-PSS": hashes.SHA384()}[name]
        key.verify(signature, signed, padding.PSS(padding.MGF1(hashing), hashing.digest_size), hashing)
    else:
        independent = {"ML-DSA-65": ML_DSA_65, "ML-DSA-87": ML_DSA_87}[name]
        if not independent.verify(key.public_bytes_raw(), signed, signature):
            raise InvalidSignature


@pytest.mark.parametrize("name", algorithm_names())
def test_plain_libraries_verify_our_seals_over_a_structure_of_their_own(name: str) -> None:
    """cbor2 takes our seal apart and builds the Sig_structure; plain cryptography, and dilithium-py for
    ML-DSA, verify the signature over it, and reject it over another record."""
    key = key_for(name)
    item = cbor2.loads(sign_all(RECORD, [key]))
    assert item.tag == 98
    body, unprotected, payload, ((protected, signer_unprotected, signature),) = item.value
    assert (dict(unprotected), payload, dict(signer_unprotected)) == ({}, None, {})
    assert dict(cbor2.loads(body)) == {3: "application/x.gemel-record"}
    assert dict(cbor2.loads(protected)) == {1: key.algorithm.cose_id, 4: key.public_key.fingerprint}
    library = key.public_key._key
    signed = cbor2.dumps(["Signature", body, protected, b"", RECORD])
    verified_plainly(name, library, signature, signed)
    with pytest.raises(InvalidSignature):
        verified_plainly(
            name, library, signature, cbor2.dumps(["Signature", body, protected, b"", OTHER_RECORD])
        )


@pytest.mark.parametrize("name", algorithm_names())
def test_our_encoding_is_the_deterministic_one_of_an_independent_coder(name: str) -> None:
    """cbor2, in its canonical form, writes what it read of a seal with the very same bytes."""
    seal = sign_all(RECORD, [key_for(name), *[key for key in every_key() if key.algorithm.name != name]])
    assert cbor2.dumps(cbor2.loads(seal), canonical=True) == seal


OPENSSL = {
    "Ed25519": ["pkeyutl", "-sign", "-rawin", "-inkey", "key.pem", "-in", "bytes", "-out", "signature"],
    "ECDSA-P256": ["dgst", "-sha256", "-sign", "key.pem", "-out", "signature", "bytes"],
    "ECDSA-P384": ["dgst", "-sha384", "-sign", "key.pem", "-out", "signature", "bytes"],
    "RSA-3072-PSS": [
        *("dgst", "-sha256", "-sigopt", "rsa_padding_mode:pss", "-sigopt", "rsa_pss_saltlen:digest"),
        *("-sign", "key.pem", "-out", "signature", "bytes"),
    ],
    "RSA-4096-PSS": [
        *("dgst", "-sha384", "-sigopt", "rsa_padding_mode:pss", "-sigopt", "rsa_pss_saltlen:digest"),
        *("-sign", "key.pem", "-out", "signature", "bytes"),
    ],
}
"""The commands that the seal's page gives; ML-DSA needs OpenSSL 3.5 and is not run here."""


@pytest.mark.parametrize("name", OPENSSL)
def test_a_signing_room_with_openssl_alone_makes_a_seal(name: str, tmp_path: Path) -> None:
    """The openssl command signs the bytes written out; its signature, DER for ECDSA, becomes a good seal."""
    openssl = required_tool("openssl")
    key = key_for(name)
    public = key.public_key
    (tmp_path / "key.pem").write_bytes(key.to_pem())
    (tmp_path / "bytes").write_bytes(bytes_to_sign(RECORD, public.algorithm, public.fingerprint))
    subprocess.run([openssl, *OPENSSL[name]], cwd=tmp_path, check=True, capture_output=True)
    signature = signature_made_elsewhere(RECORD, public, (tmp_path / "signature").read_bytes(), "signature")
    seal = make_seal(RECORD, [(public, signature)])
    (verdict,) = verify(read_seal(seal, 0xFF, "area seal"), RECORD, [public])
    assert verdict.good


@pytest.mark.parametrize("name", ["ECDSA-P256", "RSA-3072-PSS"])
def test_the_openssl_command_verifies_our_signatures(name: str, tmp_path: Path) -> None:
    """The openssl command verifies what we sign (ECDSA brought into DER), and rejects it over other bytes."""
    openssl = required_tool("openssl")
    key = key_for(name)
    signature = key.sign(b"bytes to be signed")
    if name.startswith("ECDSA"):
        signature = encode_dss_signature(
            *(int.from_bytes(part, "big") for part in (signature[:32], signature[32:]))
        )
    (tmp_path / "public.pem").write_bytes(key.public_key.to_pem())
    (tmp_path / "signature").write_bytes(signature)
    options = [
        each for each in OPENSSL[name] if each not in ("key.pem", "-sign", "-out", "signature", "bytes")
    ]
    command = [openssl, *options, "-verify", "public.pem", "-signature", "signature", "bytes"]
    for content, code in ((b"bytes to be signed", 0), (b"other bytes", 1)):
        (tmp_path / "bytes").write_bytes(content)
        run = subprocess.run(command, cwd=tmp_path, capture_output=True, check=False)
        assert run.returncode == code, run.stderr
