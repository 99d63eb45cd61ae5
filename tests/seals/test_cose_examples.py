"""The published examples of the COSE working group, verified by ours; those that must fail are refused.

Source of cose_examples.json: the repository of examples of the COSE working group, at the commit that the
file names; its values are unchanged.
"""

from __future__ import annotations

import json
from base64 import urlsafe_b64decode
from pathlib import Path
from typing import Any

import cbor2
import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, padding, rsa

from gemel.seals.cbor import CborError
from gemel.seals.cose import ALGORITHM, decode, encode, sig_structure
from gemel.seals.keys.algorithms import ECDSA_P256, ECDSA_P384, ED25519, algorithm_of_cose_id
from gemel.seals.keys.keys import PublicKey, public_key_of

EXAMPLES = json.loads((Path(__file__).parent / "cose_examples.json").read_text("utf-8"))["examples"]
NOT_OURS = {
    "ecdsa-examples/ecdsa-03.json": "curve P-521",
    "ecdsa-examples/ecdsa-04.json": "P-256 with SHA-512",
    "ecdsa-examples/ecdsa-sig-03.json": "curve P-521",
    "ecdsa-examples/ecdsa-sig-04.json": "P-256 with SHA-512",
    "eddsa-examples/eddsa-02.json": "Ed448",
    "eddsa-examples/eddsa-sig-02.json": "Ed448",
    "rsa-pss-examples/rsa-pss-01.json": "a key of 2,048 bits",
    "rsa-pss-examples/rsa-pss-02.json": "a key of 2,048 bits",
    "rsa-pss-examples/rsa-pss-03.json": "SHA-512",
}
"""Algorithms that no seal uses, by file; their signed bytes are compared all the same."""

LAX = {
    "sign-tests/sign-pass-01.json": "an empty protected header as a map",
    "sign-tests/sign-pass-03.json": "no tag",
}
"""Valid COSE_Sign in an encoding that a strict reader of seals refuses, by file."""

SIGN = [each for each in EXAMPLES if each["kind"] == "COSE_Sign"]
GOOD = [each for each in EXAMPLES if not each["fail"]]
BAD = [each for each in EXAMPLES if each["fail"]]


def name_of(example: dict[str, Any]) -> str:
    """The example's file."""
    return example["file"]


def bytes_of(text: str) -> bytes:
    """Base64 of a JSON web key, without padding."""
    return urlsafe_b64decode(text + "=" * (-len(text) % 4))


def key_of(example: dict[str, Any]) -> Any:
    """The example's public key, of the library cryptography."""
    (key,) = example["keys"]
    if key["kty"] == "OKP":
        return ed25519.Ed25519PublicKey.from_public_bytes(
            bytes.fromhex(key["x_hex"]) if "x_hex" in key else bytes_of(key["x"])
        )
    if key["kty"] == "EC":
        curve = {"P-256": ec.SECP256R1(), "P-384": ec.SECP384R1()}[key["crv"]]
        x, y = (int.from_bytes(bytes_of(key[part]), "big") for part in "xy")
        return ec.EllipticCurvePublicNumbers(x, y, curve).public_key()
    n, e = (
        int(key[f"{part}_hex"], 16) if f"{part}_hex" in key else int.from_bytes(bytes_of(key[part]), "big")
        for part in "ne"
    )
    return rsa.RSAPublicNumbers(e, n).public_key()


def our_key(example: dict[str, Any]) -> PublicKey:
    """The example's public key as ours."""
    key = key_of(example)
    if isinstance(key, ed25519.Ed25519PublicKey):
        return public_key_of(key, ED25519)
    return public_key_of(key, {"secp256r1": ECDSA_P256, "secp384r1": ECDSA_P384}[key.curve.name])


def published_bytes(example: dict[str, Any]) -> str:
    """The signed bytes that the example prints, of its first signer."""
    printed = example["to_be_signed"]
    return printed if isinstance(printed, str) else printed[0]


def external_of(example: dict[str, Any]) -> bytes:
    """Its external data; none where it has none."""
    return bytes.fromhex(example["external_aad"][0] or "")


def loosely(example: dict[str, Any]) -> tuple[str, list[bytes], bytes, int | None]:
    """By cbor2: context, protected headers, signature and algorithm of the example's first signer."""
    item = cbor2.loads(bytes.fromhex(example["cbor"]))
    parts = item.value if isinstance(item, cbor2.CBORTag) else item
    body = b"" if parts[0] == b"\xa0" else parts[0]
    if example["kind"] == "COSE_Sign1":
        headers, signature, unprotected = [body], parts[3], parts[1]
    else:
        protected, unprotected, signature = parts[3][0]
        headers = [body, protected]
    named = {**unprotected, **(cbor2.loads(headers[-1]) if headers[-1] else {})}
    return (
        {"COSE_Sign": "Signature", "COSE_Sign1": "Signature1"}[example["kind"]],
        headers,
        signature,
        named.get(1),
    )


@pytest.mark.parametrize("example", GOOD, ids=name_of)
def test_the_signed_bytes_are_the_published_ones(example) -> None:
    """Our Sig_structure of every good example has the bytes that the example prints, every algorithm."""
    context, headers, _, _ = loosely(example)
    ours = sig_structure(context, headers, example["plaintext"].encode(), external_of(example))
    assert ours.hex().upper() == published_bytes(example)


@pytest.mark.parametrize("example", [each for each in GOOD if each["file"] not in NOT_OURS], ids=name_of)
def test_good_examples_hold(example) -> None:
    """Every good example of an algorithm that seals use is verified by our keys."""
    context, headers, signature, cose_id = loosely(example)
    key = our_key(example)
    assert algorithm_of_cose_id(cose_id) == key.algorithm
    signed = sig_structure(context, headers, example["plaintext"].encode(), external_of(example))
    assert key.verify(signature, signed)
    assert not key.verify(signature, signed + b"\0")


@pytest.mark.parametrize(
    ("file", "hashing"),
    [
        ("rsa-pss-examples/rsa-pss-01.json", hashes.SHA256()),
        ("rsa-pss-examples/rsa-pss-02.json", hashes.SHA384()),
    ],
)
def test_pss_examples_name_the_identifiers_and_the_salt_that_seals_use(file: str, hashing) -> None:
    """The PSS examples (2,048 bits, so no key for a seal) have the ids -37 and -38, and hold over our
    Sig_structure with a salt as long as the hash."""
    (example,) = (each for each in EXAMPLES if each["file"] == file)
    context, headers, signature, cose_id = loosely(example)
    algorithm = algorithm_of_cose_id(cose_id)
    assert algorithm is not None
    assert algorithm.source.endswith(f"salt {hashing.digest_size} bytes")
    signed = sig_structure(context, headers, example["plaintext"].encode())
    pss = padding.PSS(padding.MGF1(hashing), hashing.digest_size)
    key_of(example).verify(signature, signed, pss, hashing)
    with pytest.raises(InvalidSignature):
        key_of(example).verify(signature, signed + b"\0", pss, hashing)


@pytest.mark.parametrize("example", [each for each in SIGN if not each["fail"]], ids=name_of)
def test_our_decoder_reads_the_published_structures(example) -> None:
    """Every good COSE_Sign in deterministic encoding is read, holds, and is written again with the same
    bytes; two in another valid encoding are refused, on purpose."""
    data = bytes.fromhex(example["cbor"])
    if example["file"] in LAX:
        with pytest.raises(CborError):
            decode(data)
        return
    sign, size = decode(data)
    assert size == len(data)
    assert encode(sign) == data
    assert sign.payload == example["plaintext"].encode()
    (signer,) = sign.signatures
    signed = sig_structure(
        "Signature", [sign.protected_bytes, signer.protected_bytes], sign.payload, external_of(example)
    )
    assert signed.hex().upper() == published_bytes(example)
    if example["file"] not in NOT_OURS:
        assert our_key(example).verify(signer.signature, signed)


def refusal_of(example: dict[str, Any]) -> str:
    """What refuses the example: its form, its algorithm or its signature; empty where nothing does."""
    key = our_key(example)
    data = bytes.fromhex(example["cbor"])
    if example["kind"] == "COSE_Sign":
        try:
            sign, _ = decode(data)
        except CborError:
            return "form"
        (signer,) = sign.signatures
        cose_id, signature = signer.protected.get(ALGORITHM), signer.signature
        signed = sig_structure(
            "Signature", [sign.protected_bytes, signer.protected_bytes], sign.payload or b""
        )
    else:
        item = cbor2.loads(data)
        if item.tag != 18:
            return "form"
        context, headers, signature, cose_id = loosely(example)
        signed = sig_structure(context, headers, item.value[2])
    if cose_id != key.algorithm.cose_id:
        return "algorithm"
    return "" if key.verify(signature, signed) else "signature"


REFUSED_BY = {
    "sign-fail-01": "form",
    "sign-fail-02": "signature",
    "sign-fail-03": "algorithm",
    "sign-fail-04": "algorithm",
    "sign-fail-06": "signature",
    "sign-fail-07": "signature",
}


@pytest.mark.parametrize("example", BAD, ids=name_of)
def test_examples_that_must_fail_are_refused(example) -> None:
    """Every example that must fail is refused, and by what was changed in it."""
    expected = REFUSED_BY[Path(example["file"]).stem]
    if example["file"] == "sign-tests/sign-fail-07.json":
        context, headers, signature, _ = loosely(example)
        assert not our_key(example).verify(
            signature, sig_structure(context, headers, b"This is the content.")
        )
        expected = "form"  # its emptied header is a map where no bytes are due
    assert refusal_of(example) == expected


@pytest.mark.parametrize("file", ["sign-tests/ecdsa-01.json", "ecdsa-examples/ecdsa-sig-01.json"])
def test_the_same_judgement_takes_a_good_example(file: str) -> None:
    """What refuses the examples above takes the unchanged ones."""
    (example,) = (each for each in EXAMPLES if each["file"] == file)
    assert refusal_of(example) == ""


def test_the_examples_are_all_there() -> None:
    """34 examples, 12 of which must fail, and nothing set aside that does not exist."""
    assert len(EXAMPLES) == 34
    assert len(BAD) == 12
    assert {*NOT_OURS, *LAX} <= {each["file"] for each in GOOD}
