"""Private keys for tests of seals: published ones, so none is a secret and no test waits for a new one.

Sources: Ed25519 RFC 8032 7.1 test 1; EC RFC 6979 A.2.5 and A.2.6; RSA the NIST CAVP file SigVerPSS_186-3.rsp
(its keys with exponent 65537); ML-DSA the seeds (xi) of the files kat_MLDSA_*_det_pure.rsp.  The files are
those of the package cryptography-vectors.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import cryptography_vectors
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, mldsa, rsa

from gemel.seals.keys.algorithms import algorithm_named, algorithm_names
from gemel.seals.keys.keys import PrivateKey, Signer, private_key_of
from gemel.seals.seal import bytes_to_sign, make_seal

VECTORS = Path(cryptography_vectors.__file__).parent / "asymmetric"
"""Folder of the package cryptography-vectors."""

RFC8032_TEST_1 = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60"
RFC6979_P256 = 0xC9AFA9D845BA75166B5C215767B1D6934E50C3DB36E89B127B8A622B120F6721
RFC6979_P384 = int(
    "6B9D3DAD2E1B8C1C05B19875B6659F4DE23C3B667BF297BA9AA47740787137D896D5724E4C70A825F872C9EA60D2EDF5", 16
)


@cache
def key_for(algorithm_name: str) -> PrivateKey:
    """The published key for that algorithm."""
    algorithm = algorithm_named(algorithm_name)
    if algorithm is None:
        raise ValueError(algorithm_name)
    return private_key_of(_library_key(algorithm_name), algorithm)


def every_key() -> list[PrivateKey]:
    """One key for each algorithm, in their order."""
    return [key_for(name) for name in algorithm_names()]


def other_key(seed: int) -> PrivateKey:
    """An Ed25519 key of its own for each number."""
    key = ed25519.Ed25519PrivateKey.from_private_bytes(bytes([seed]) * 32)
    algorithm = algorithm_named("Ed25519")
    if algorithm is None:
        raise ValueError("Ed25519")
    return private_key_of(key, algorithm)


def cavp_rsa_keys(bits: int) -> Iterator[tuple[int, int, int, str]]:
    """Modulus, both primes, and the text of its cases, for each modulus of SigVerPSS_186-3.rsp."""
    text = (VECTORS / "RSA/FIPS_186-2/SigVerPSS_186-3.rsp").read_text("ascii")
    section = text.split(f"[mod = {bits}]")[1].split("[mod =")[0]
    for part in re.split(r"(?m)^n = ", section)[1:]:
        p, q = (int(found, 16) for found in re.search(r"p = (\w+)\s+q = (\w+)", part).groups())  # type: ignore[union-attr]
        yield int(part.split()[0], 16), p, q, part


def ml_dsa_cases(size: int) -> list[dict[str, bytes]]:
    """The cases of kat_MLDSA_<size>_det_pure.rsp: xi, pk, msg, sm (signature and message), ctx."""
    text = (VECTORS / f"MLDSA/kat_MLDSA_{size}_det_pure.rsp").read_text("ascii")
    cases = []
    for part in text.split("count = ")[1:]:
        fields = dict(re.findall(r"(?m)^(xi|pk|msg|sm|ctx) = (\w*)", part))
        cases.append({name: bytes.fromhex(value) for name, value in fields.items()})
    return cases


def _library_key(name: str) -> Any:
    if name == "Ed25519":
        return ed25519.Ed25519PrivateKey.from_private_bytes(bytes.fromhex(RFC8032_TEST_1))
    if name == "ECDSA-P256":
        return ec.derive_private_key(RFC6979_P256, ec.SECP256R1())
    if name == "ECDSA-P384":
        return ec.derive_private_key(RFC6979_P384, ec.SECP384R1())
    if name == "ML-DSA-65":
        return mldsa.MLDSA65PrivateKey.from_seed_bytes(ml_dsa_cases(65)[0]["xi"])
    if name == "ML-DSA-87":
        return mldsa.MLDSA87PrivateKey.from_seed_bytes(ml_dsa_cases(87)[0]["xi"])
    bits = int(name.split("-")[1])
    return rsa_key(bits, {3072: 2, 4096: 1}[bits])


@cache
def rsa_key(bits: int, index: int) -> rsa.RSAPrivateKey:
    """The published RSA key of that size and place in the file; that its primes are primes is taken for granted."""
    n, p, q, _ = list(cavp_rsa_keys(bits))[index]
    e = 65537
    d = pow(e, -1, (p - 1) * (q - 1))
    public = rsa.RSAPublicNumbers(e, n)
    numbers = rsa.RSAPrivateNumbers(p, q, d, d % (p - 1), d % (q - 1), pow(q, -1, p), public)
    return numbers.private_key(unsafe_skip_rsa_key_validation=True)


def sign_all(record_bytes: bytes, signers: Iterable[Signer]) -> bytes:
    """The seal of all ``signers``.  Raises SealError as ``make_seal`` does, and whatever a signer raises."""
    signatures = []
    for signer in signers:
        key = signer.public_key
        signatures.append((key, signer.sign(bytes_to_sign(record_bytes, key.algorithm, key.fingerprint))))
    return make_seal(record_bytes, signatures)
