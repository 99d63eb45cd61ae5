"""What each signature algorithm does, by way of the library ``cryptography``.

The library is imported where it is used: it takes about 20 ms, and most commands touch no key.  Keys here
are the library's own objects; ``keys`` wraps them.
"""

from __future__ import annotations

import re
from contextlib import suppress
from typing import Any

from gemel.seals.keys.algorithms import (
    ALGORITHMS,
    ECDSA_P256,
    ECDSA_P384,
    ED25519,
    ML_DSA_65,
    ML_DSA_87,
    RSA_3072,
    RSA_4096,
    SignatureAlgorithm,
)

MIN_RSA_EXPONENT = 65_537
"""FIPS 186-5 wants a public exponent above 2**16 (from memory)."""

_FIELD = 2**255 - 19
_SMALL_ORDER = (0, 1, 0x05FC536D880238B13933C6D305ACDFD5F098EFF289F4C345B027B2C28F95E826)
"""The prime of Ed25519 (RFC 8032 5.1), and y of the points of order 4, 1 and 8; the prime less y is one of 2 or 8."""

_CURVES = {ECDSA_P256: ("SECP256R1", "SHA256"), ECDSA_P384: ("SECP384R1", "SHA384")}
_RSA = {RSA_3072: (3072, "SHA256"), RSA_4096: (4096, "SHA384")}
_ML_DSA = {ML_DSA_65: "MLDSA65", ML_DSA_87: "MLDSA87"}


def algorithm_of(key: Any) -> SignatureAlgorithm | None:
    """The algorithm of a public or private key of the library, or None where none here takes it."""
    from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa

    if isinstance(key, ed25519.Ed25519PublicKey):
        return None if _is_weak(key) else ED25519
    if isinstance(key, ed25519.Ed25519PrivateKey):
        return ED25519
    if isinstance(key, (ec.EllipticCurvePublicKey, ec.EllipticCurvePrivateKey)):
        by_curve = {name.lower(): algorithm for algorithm, (name, _) in _CURVES.items()}
        return by_curve.get(key.curve.name)
    if isinstance(key, (rsa.RSAPublicKey, rsa.RSAPrivateKey)):
        by_size = {bits: algorithm for algorithm, (bits, _) in _RSA.items()}
        return by_size.get(key.key_size) if _exponent(key) >= MIN_RSA_EXPONENT else None
    for algorithm, prefix in _ML_DSA.items():
        if isinstance(key, _ml_dsa_classes(prefix)):
            return algorithm
    return None


def _is_weak(key: Any) -> bool:
    """Whether an Ed25519 key is a point of small order, for which anybody can sign, or is not in its one form."""
    y = int.from_bytes(key.public_bytes_raw(), "little") & ~(1 << 255)
    return y >= _FIELD or min(y, _FIELD - y) in _SMALL_ORDER


def key_words(key: Any) -> str:
    """What a key of the library is, in words: ``an RSA key of 2,048 bits``; says nothing of its value."""
    from cryptography.hazmat.primitives.asymmetric import ec, rsa

    if isinstance(key, (ec.EllipticCurvePublicKey, ec.EllipticCurvePrivateKey)):
        return f"an EC key on curve {key.curve.name}"
    if isinstance(key, (rsa.RSAPublicKey, rsa.RSAPrivateKey)):
        small = _exponent(key) < MIN_RSA_EXPONENT
        more = f" with a public exponent below {MIN_RSA_EXPONENT:,}" if small else ""
        return f"an RSA key of {key.key_size:,} bits{more}"
    kind = re.sub(r"(Public|Private)Key$", "", type(key).__name__)
    if kind == "Ed25519":
        return "an Ed25519 key for which anybody can sign"
    return f"a key of kind {re.sub(r'^MLDSA', 'ML-DSA-', kind)}"


def new_key(algorithm: SignatureAlgorithm) -> Any:
    """A fresh private key of the library.  Raises UnsupportedAlgorithm where the library cannot make it."""
    from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa

    if algorithm in _CURVES:
        return ec.generate_private_key(getattr(ec, _CURVES[algorithm][0])())
    if algorithm in _RSA:
        return rsa.generate_private_key(MIN_RSA_EXPONENT, _RSA[algorithm][0])
    if algorithm in _ML_DSA:
        _, private = _ml_dsa_classes(_ML_DSA[algorithm])
        return private.generate()
    return ed25519.Ed25519PrivateKey.generate()


def signature_by(key: Any, algorithm: SignatureAlgorithm, data: bytes) -> bytes:
    """The signature over ``data`` in the form that COSE carries, ``algorithm.signature_size`` bytes."""
    from cryptography.hazmat.primitives.asymmetric import ec

    if algorithm in _CURVES:
        method = ec.ECDSA(_hash(_CURVES[algorithm][1]), deterministic_signing=True)
        return fixed_ecdsa(algorithm, key.sign(data, method))
    if algorithm in _RSA:
        return bytes(key.sign(data, *_pss(algorithm)))
    return bytes(key.sign(data))


def holds(key: Any, algorithm: SignatureAlgorithm, signature: bytes, data: bytes) -> bool:
    """Whether ``signature``, in COSE's form, is one by the public ``key`` over ``data``; never raises."""
    from cryptography.exceptions import InvalidSignature

    if len(signature) != algorithm.signature_size:
        return False
    try:
        _verify(key, algorithm, signature, data)
    except (InvalidSignature, ValueError):
        return False
    return True


def fixed_ecdsa(algorithm: SignatureAlgorithm, der: bytes) -> bytes:
    """An ECDSA signature in DER (as openssl writes it) as r || s of fixed length (RFC 9053 2.1).

    Raises ValueError where ``der`` is no such signature or a number does not fit the curve.
    """
    from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature

    half = algorithm.signature_size // 2
    r, s = decode_dss_signature(der)
    if min(r, s) < 1 or max(r, s) >> 8 * half:
        raise ValueError("r or s does not fit the curve")
    return r.to_bytes(half, "big") + s.to_bytes(half, "big")


def in_cose_form(algorithm: SignatureAlgorithm, signature: bytes) -> list[bytes]:
    """What ``signature``, as any tool writes it, may be in COSE's form: none, one, or rarely two readings.

    ECDSA comes in DER and as r || s, and 64 bytes may by chance be either.
    """
    readings = [bytes(signature)] if len(signature) == algorithm.signature_size else []
    if algorithm in _CURVES:
        with suppress(ValueError):
            readings.append(fixed_ecdsa(algorithm, bytes(signature)))
    return readings


def supported_words() -> str:
    """The keys that seals can be made with, in words."""
    return ", ".join(algorithm.key_words for algorithm in ALGORITHMS[:-1]) + f" or {ALGORITHMS[-1].key_words}"


def _verify(key: Any, algorithm: SignatureAlgorithm, signature: bytes, data: bytes) -> None:
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature

    if algorithm in _CURVES:
        half = algorithm.signature_size // 2
        r, s = (int.from_bytes(part, "big") for part in (signature[:half], signature[half:]))
        key.verify(encode_dss_signature(r, s), data, ec.ECDSA(_hash(_CURVES[algorithm][1])))
    elif algorithm in _RSA:
        key.verify(signature, data, *_pss(algorithm))
    else:
        key.verify(signature, data)


def _pss(algorithm: SignatureAlgorithm) -> tuple[Any, Any]:
    """Padding and hash of PSS: mask by MGF1 with the same hash, salt as long as the hash (RFC 8230 2)."""
    from cryptography.hazmat.primitives.asymmetric import padding

    digest = _hash(_RSA[algorithm][1])
    return padding.PSS(padding.MGF1(digest), digest.digest_size), digest


def _hash(name: str) -> Any:
    from cryptography.hazmat.primitives import hashes

    return getattr(hashes, name)()


def _exponent(key: Any) -> int:
    numbers = key.public_key().public_numbers() if hasattr(key, "public_key") else key.public_numbers()
    return int(numbers.e)


def _ml_dsa_classes(prefix: str) -> tuple[Any, Any]:
    from cryptography.hazmat.primitives.asymmetric import mldsa

    return getattr(mldsa, f"{prefix}PublicKey"), getattr(mldsa, f"{prefix}PrivateKey")
