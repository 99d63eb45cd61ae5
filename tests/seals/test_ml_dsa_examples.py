"""ML-DSA in COSE held to the examples of RFC 9964: identifiers, signed bytes, signatures, keys from their seeds.

Source of ml_dsa_examples.json: RFC 9964, as the file names it; its values are unchanged.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cbor2
import pytest
from cryptography.hazmat.primitives.asymmetric import mldsa
from dilithium_py.ml_dsa import ML_DSA_65, ML_DSA_87

from gemel.seals.cbor import encoded, encoded_map
from gemel.seals.keys.algorithms import algorithm_named
from gemel.seals.keys.keys import private_key_of, public_key_of

EXAMPLES: dict[str, dict[str, str]] = json.loads(
    (Path(__file__).parent / "ml_dsa_examples.json").read_text("utf-8")
)["examples"]
LIBRARY: dict[str, tuple[Any, Any, Any]] = {
    "ML-DSA-65": (mldsa.MLDSA65PrivateKey, mldsa.MLDSA65PublicKey, ML_DSA_65),
    "ML-DSA-87": (mldsa.MLDSA87PrivateKey, mldsa.MLDSA87PublicKey, ML_DSA_87),
}


def parts(name: str) -> tuple[dict[Any, Any], bytes, bytes, bytes]:
    """The example's protected header, the header's bytes, payload and signature."""
    protected, _, payload, signature = cbor2.loads(bytes.fromhex(EXAMPLES[name]["cose_sign1"])).value
    return cbor2.loads(protected), protected, payload, signature


@pytest.mark.parametrize("name", EXAMPLES)
def test_identifiers_and_sizes_are_those_of_the_example(name: str) -> None:
    """The algorithm in the header, and the key's: -49 and -50; the sizes of key and signature."""
    algorithm = algorithm_named(name)
    assert algorithm is not None
    header, _, _, signature = parts(name)
    assert header[1] == algorithm.cose_id == cbor2.loads(bytes.fromhex(EXAMPLES[name]["cose_key"]))[3]
    assert len(signature) == algorithm.signature_size
    assert len(bytes.fromhex(EXAMPLES[name]["public_key"])) == algorithm.public_key_size


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_signed_bytes_are_those_of_the_example(name: str) -> None:
    """Our encoder makes the header and the Sig_structure of a COSE_Sign1 (RFC 9052 4.4) byte for byte."""
    header, protected, payload, _ = parts(name)
    assert encoded_map(header) == protected
    due = bytes.fromhex(EXAMPLES[name]["to_be_signed"])
    made = b"\x84" + encoded("Signature1") + encoded(protected) + encoded(b"") + encoded(payload)
    assert made == due


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_signature_holds_and_no_changed_one_does(name: str) -> None:
    """Verified as a seal's signature is; with a changed byte of signature or data it does not hold."""
    algorithm = algorithm_named(name)
    assert algorithm is not None
    library = LIBRARY[name][1].from_public_bytes(bytes.fromhex(EXAMPLES[name]["public_key"]))
    key, signature = public_key_of(library, algorithm), parts(name)[3]
    assert signature == bytes.fromhex(EXAMPLES[name]["signature"])
    data = bytes.fromhex(EXAMPLES[name]["to_be_signed"])
    assert key.verify(signature, data)
    assert not key.verify(signature[:-1] + bytes([signature[-1] ^ 1]), data)
    assert not key.verify(signature, data + b"x")


@pytest.mark.parametrize("name", EXAMPLES)
def test_keys_follow_from_their_seeds(name: str) -> None:
    """The seed gives the example's public key, by the library and by the Python reference, and what it signs holds."""
    algorithm = algorithm_named(name)
    assert algorithm is not None
    seed, public = bytes.fromhex(EXAMPLES[name]["seed"]), bytes.fromhex(EXAMPLES[name]["public_key"])
    private, _, reference = LIBRARY[name]
    key = private_key_of(private.from_seed_bytes(seed), algorithm)
    assert key.public_key.to_der().endswith(public)
    assert reference.key_derive(seed)[0] == public
    signature = key.sign(b"record")
    assert reference.verify(public, b"record", signature)
