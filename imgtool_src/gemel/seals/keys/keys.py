"""Keys of a seal: public keys that verify, private keys and other signers that sign.

A key is named by its fingerprint: SHA-256 of its public part as SubjectPublicKeyInfo in DER (RFC 5280 4.1.2.7;
EC points uncompressed, RSA as rsaEncryption).  It is what
``openssl pkey -pubin -in KEY -outform DER | sha256sum`` prints, and what a seal names its signers by.

No text, repr or error made here holds key material or a pass phrase.
"""

from __future__ import annotations

import os
from base64 import b64encode
from functools import cached_property
from hashlib import sha256
from typing import Any, NoReturn, Protocol

from gemel.errors import GemelError
from gemel.seals.keys import schemes
from gemel.seals.keys.algorithms import SignatureAlgorithm, algorithm_named, unknown_algorithm
from gemel.structs import Struct

ROUNDS = 600_000
"""Rounds of PBKDF2 with HMAC-SHA-256: what password-storage guidance requires (common practice)."""

MAX_PASS_PHRASE = 1023
"""Bytes; readers built on OpenSSL take no more."""

_PBES2 = "2A864886F70D01050D"
_PBKDF2 = "2A864886F70D01050C"
_HMAC_SHA256 = "2A864886F70D0209"
_AES_256_CBC = "60864801650304012A"
_INTEGER, _OCTETS, _NULL, _OBJECT, _SEQUENCE = 0x02, 0x04, 0x05, 0x06, 0x30


def encrypted_pkcs8(pkcs8_der: bytes, pass_phrase: bytes) -> bytes:
    """``pkcs8_der`` encrypted, as DER; with a fresh salt, so never the same twice."""
    from cryptography.hazmat.primitives import hashes, padding
    from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes
    from cryptography.hazmat.primitives.kdf.pbkdf2 import PBKDF2HMAC

    salt, vector = os.urandom(16), os.urandom(16)
    key = PBKDF2HMAC(hashes.SHA256(), 32, salt, ROUNDS).derive(pass_phrase)
    padder = padding.PKCS7(128).padder()
    padded = padder.update(pkcs8_der) + padder.finalize()
    cipher = Cipher(algorithms.AES(key), modes.CBC(vector)).encryptor()
    encrypted = cipher.update(padded) + cipher.finalize()
    return _sequence(_algorithm(salt, vector), _item(_OCTETS, encrypted))


def _algorithm(salt: bytes, vector: bytes) -> bytes:
    rounds = _item(_INTEGER, ROUNDS.to_bytes(ROUNDS.bit_length() // 8 + 1, "big"))
    function = _sequence(_object(_HMAC_SHA256), _item(_NULL, b""))
    derivation = _sequence(_object(_PBKDF2), _sequence(_item(_OCTETS, salt), rounds, function))
    cipher = _sequence(_object(_AES_256_CBC), _item(_OCTETS, vector))
    return _sequence(_object(_PBES2), _sequence(derivation, cipher))


def _item(tag: int, content: bytes) -> bytes:
    size = len(content)
    if size < 0x80:
        return bytes([tag, size]) + content
    length = size.to_bytes((size.bit_length() + 7) // 8, "big")
    return bytes([tag, 0x80 | len(length)]) + length + content


def _sequence(*items: bytes) -> bytes:
    return _item(_SEQUENCE, b"".join(items))


def _object(identifier: str) -> bytes:
    return _item(_OBJECT, bytes.fromhex(identifier))


class KeyFileError(GemelError):
    """A key cannot be read, made or used; the problem says why and never what the key is."""


class PublicKey(Struct, dict=True):
    """The public part of a signer's key.

    ``spki_der`` is its SubjectPublicKeyInfo in DER, in the one form that ``key_files`` brings keys into;
    two keys are equal when it is.
    """

    algorithm: SignatureAlgorithm
    spki_der: bytes

    @cached_property
    def fingerprint(self) -> bytes:
        """SHA-256 of ``spki_der``, 32 bytes."""
        return sha256(self.spki_der).digest()

    def verify(self, signature: bytes, data: bytes) -> bool:
        """Whether ``signature`` (COSE's form: ECDSA as r || s) is this key's over ``data``; never raises."""
        return schemes.holds(self._key, self.algorithm, bytes(signature), bytes(data))

    def to_der(self) -> bytes:
        """SubjectPublicKeyInfo in DER."""
        return self.spki_der

    def to_pem(self) -> bytes:
        """SubjectPublicKeyInfo in PEM (``BEGIN PUBLIC KEY``)."""
        from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

        pem: bytes = self._key.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
        return pem

    def __repr__(self) -> str:
        return f"PublicKey({self.algorithm.name}, {self.fingerprint.hex()})"

    @cached_property
    def _key(self) -> Any:
        from cryptography.hazmat.primitives.serialization import load_der_public_key

        return load_der_public_key(self.spki_der)


class Signer(Protocol):
    """Whatever can sign: a private key in memory, or a token that keeps its key."""

    @property
    def algorithm(self) -> SignatureAlgorithm:
        """The one algorithm it signs with."""

    @property
    def public_key(self) -> PublicKey:
        """The public part."""

    def sign(self, data: bytes) -> bytes:
        """The signature over ``data`` in COSE's form: ECDSA as r || s, all others as their standard says."""


class HeldKey:
    """A private key as a library has it, in memory or on a token, with its public part."""

    __slots__ = ("_key", "_public")

    def __init__(self, key: Any, public_key: PublicKey) -> None:
        self._key = key
        self._public = public_key

    @property
    def algorithm(self) -> SignatureAlgorithm:
        """The one algorithm it signs with."""
        return self._public.algorithm

    @property
    def public_key(self) -> PublicKey:
        """The public part."""
        return self._public


class PrivateKey(HeldKey):
    """A private key of the library ``cryptography``; a Signer.  Its text shows algorithm and fingerprint, no more."""

    __slots__ = ()

    def sign(self, data: bytes) -> bytes:
        """The signature over ``data`` in COSE's form; the same each time where the algorithm allows it."""
        return schemes.signature_by(self._key, self.algorithm, bytes(data))

    def to_pem(self, pass_phrase: bytes | None = None) -> bytes:
        """PKCS#8 in PEM, encrypted where a pass phrase is given; as ``to_der``."""
        label = "PRIVATE KEY" if pass_phrase is None else "ENCRYPTED PRIVATE KEY"
        text = b64encode(self.to_der(pass_phrase)).decode("ascii")
        lines = [text[start : start + 64] for start in range(0, len(text), 64)]
        return "\n".join([f"-----BEGIN {label}-----", *lines, f"-----END {label}-----", ""]).encode("ascii")

    def to_der(self, pass_phrase: bytes | None = None) -> bytes:
        """PKCS#8 in DER, encrypted where a pass phrase is given.

        Raises KeyFileError for a pass phrase that is empty or longer than 1,023 bytes.
        """
        from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

        der = bytes(self._key.private_bytes(Encoding.DER, PrivateFormat.PKCS8, NoEncryption()))
        if pass_phrase is None:
            return der
        if not 0 < len(pass_phrase) <= MAX_PASS_PHRASE:
            raise KeyFileError(
                "a pass phrase that no key can have",
                found=f"{len(pass_phrase):,} bytes",
                expected=f"1 to {MAX_PASS_PHRASE:,} bytes, or no pass phrase at all",
            )
        return encrypted_pkcs8(der, pass_phrase)

    def __repr__(self) -> str:
        return f"PrivateKey({self.algorithm.name}, {self._public.fingerprint.hex()})"

    def __reduce__(self) -> NoReturn:
        raise TypeError("a private key is not pickled; write it with to_pem and a pass phrase")


def new_private_key(algorithm_name: str) -> PrivateKey:
    """A fresh key for the algorithm of that name, from the system's randomness.

    Raises KeyFileError: an unknown name, or one that the installed ``cryptography`` cannot do.
    """
    from cryptography.exceptions import UnsupportedAlgorithm

    algorithm = algorithm_named(algorithm_name)
    if algorithm is None:
        raise KeyFileError(unknown_algorithm(algorithm_name))
    try:
        key = schemes.new_key(algorithm)
    except UnsupportedAlgorithm as error:
        raise KeyFileError(
            f"the installed library cryptography cannot make {algorithm.key_words}",
            next_step="install cryptography from its published wheels",
        ) from error
    return private_key_of(key, algorithm)


def public_key_of(key: Any, algorithm: SignatureAlgorithm) -> PublicKey:
    """The PublicKey for a public key of the library ``cryptography`` that has that algorithm."""
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    return PublicKey(algorithm, key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo))


def private_key_of(key: Any, algorithm: SignatureAlgorithm) -> PrivateKey:
    """The PrivateKey for a private key of the library ``cryptography`` that has that algorithm."""
    return PrivateKey(key, public_key_of(key.public_key(), algorithm))
