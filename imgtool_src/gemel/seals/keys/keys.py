"""Keys of a seal: public keys that verify, private keys and other signers that sign.

A key is named by its fingerprint: SHA-256 of its public part as SubjectPublicKeyInfo in DER (RFC 5280 4.1.2.7;
EC points uncompressed, RSA as rsaEncryption).  It is what
``openssl pkey -pubin -in KEY -outform DER | sha256sum`` prints, and what a seal names its signers by.

No text, repr or error made here holds key material or a pass phrase.
"""

from __future__ import annotations

from base64 import b64encode
from functools import cached_property
from hashlib import sha256
from typing import Any, NoReturn, Protocol

from gemel.errors import GemelError, Problem
from gemel.seals.keys import schemes
from gemel.seals.keys.algorithms import SignatureAlgorithm, algorithm_named, unknown_algorithm
from gemel.seals.keys.encryption import LONGEST_PASS_PHRASE, encrypted_pkcs8
from gemel.structs import Struct


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


class PrivateKey:
    """A private key in memory; a Signer.  Its text shows the algorithm and the fingerprint, no more."""

    __slots__ = ("_key", "_public")

    def __init__(self, key: Any, public_key: PublicKey) -> None:
        """Take a private key of the library ``cryptography`` and its public part."""
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
        if not 0 < len(pass_phrase) <= LONGEST_PASS_PHRASE:
            expected = f"1 to {LONGEST_PASS_PHRASE:,} bytes, or no pass phrase at all"
            raise KeyFileError(
                Problem(
                    "a pass phrase that no key can have",
                    found=f"{len(pass_phrase):,} bytes",
                    expected=expected,
                )
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
            Problem(
                f"the installed library cryptography cannot make {algorithm.key_words}",
                next_step="install cryptography from its published wheels",
            )
        ) from error
    return private_key_of(key, algorithm)


def public_key_of(key: Any, algorithm: SignatureAlgorithm) -> PublicKey:
    """The PublicKey for a public key of the library ``cryptography`` that has that algorithm."""
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    return PublicKey(algorithm, key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo))


def private_key_of(key: Any, algorithm: SignatureAlgorithm) -> PrivateKey:
    """The PrivateKey for a private key of the library ``cryptography`` that has that algorithm."""
    return PrivateKey(key, public_key_of(key.public_key(), algorithm))
