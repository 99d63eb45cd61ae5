"""Keys read from the bytes of a file, PEM or DER.

    PEM label               what it is                        read as
    PRIVATE KEY             PKCS#8, RFC 5958                  private
    ENCRYPTED PRIVATE KEY   PKCS#8 with a pass phrase         private
    EC PRIVATE KEY          SEC 1, RFC 5915                   private
    RSA PRIVATE KEY         PKCS#1, RFC 8017 A.1.2            private
    PUBLIC KEY              SubjectPublicKeyInfo, RFC 5280    public
    RSA PUBLIC KEY          PKCS#1, RFC 8017 A.1.1            public

A file holds one key.  DER has no label; it is tried as what was asked for, and then as the other kind so
that the error can say which it is.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from gemel.errors import Problem
from gemel.integrity import signature_schemes as schemes
from gemel.integrity.keys import KeyFileError, PrivateKey, PublicKey, private_key_of, public_key_of

if TYPE_CHECKING:
    from gemel.integrity.signature_algorithms import SignatureAlgorithm

LARGEST_KEY_FILE = 64 << 10
"""Bytes; the largest key of the supported kinds takes about 12 KiB."""

_BLOCK = re.compile(rb"-----BEGIN ([A-Z0-9 ]{1,40})-----.*?-----END \1-----[ \t]*\r?\n?", re.DOTALL)
_PRIVATE = ("PRIVATE KEY", "ENCRYPTED PRIVATE KEY", "EC PRIVATE KEY", "RSA PRIVATE KEY")
_PUBLIC = ("PUBLIC KEY", "RSA PUBLIC KEY")
_PARAMETERS = "EC PARAMETERS"
_OTHERS = {
    "CERTIFICATE": ("a certificate", "take its key out: openssl x509 -in FILE -pubkey -noout"),
    "CERTIFICATE REQUEST": ("a certificate request", "take its key out: openssl req -in FILE -pubkey -noout"),
    "OPENSSH PRIVATE KEY": ("a private key in OpenSSH's own format", "convert it to PKCS#8"),
    "DSA PRIVATE KEY": ("a DSA key", ""),
}


def load_public_key(data: bytes, name: str) -> PublicKey:
    """The public key in ``data``; ``name`` is what problems call the file.

    Raises KeyFileError: no key, a private key, or a key that no supported algorithm takes.
    """
    block, label = _one_block(data, name, _PUBLIC)
    key = _public(block, pem=bool(label))
    if key is None:
        raise KeyFileError(_why_not_public(block, label, name))
    return public_key_of(key, _algorithm(key, name))


def load_private_key(data: bytes, name: str, pass_phrase: bytes | None = None) -> PrivateKey:
    """The private key in ``data``; ``name`` is what problems call the file.

    Raises KeyFileError: no key, a public key, a key that no supported algorithm takes, a pass phrase that is
    missing, wrong, or given for a key that has none (``is_encrypted`` tells beforehand).
    """
    block, label = _one_block(data, name, _PRIVATE)
    try:
        key = _private(block, pem=bool(label), pass_phrase=pass_phrase)
    except TypeError as error:
        raise KeyFileError(_pass_phrase_problem(name, given=pass_phrase is not None)) from error
    except _UnreadableKey as error:
        raise KeyFileError(_why_not_private(block, label, name, pass_phrase, error)) from error
    return private_key_of(key, _algorithm(key, name))


def is_encrypted(data: bytes) -> bool:
    """Whether ``data`` is a private key that takes a pass phrase; False for whatever is no key."""
    try:
        block, label = _one_block(data, "", _PRIVATE)
        _private(block, pem=bool(label), pass_phrase=None)
    except TypeError:
        return True
    except (KeyFileError, _UnreadableKey):
        pass
    return False


class _UnreadableKey(Exception):
    """The library could not read a key."""


def _one_block(data: bytes, name: str, wanted: tuple[str, ...]) -> tuple[bytes, str]:
    """The one PEM block with its label; all of ``data`` and no label where it is not PEM."""
    if len(data) > LARGEST_KEY_FILE:
        most = f"at most {LARGEST_KEY_FILE:,} bytes"
        raise KeyFileError(Problem("not a key file: too large", name, f"{len(data):,} bytes", most))
    if b"-----BEGIN " not in data:
        return bytes(data), ""
    blocks = [(match[0], match[1].decode("ascii")) for match in _BLOCK.finditer(data)]
    keys = [block for block in blocks if block[1] != _PARAMETERS]
    if len(keys) != 1:
        found = f"{len(keys)} complete PEM blocks"
        raise KeyFileError(Problem("not one key", name, found, "one key in a file"))
    block, label = keys[0]
    if label not in wanted:
        raise KeyFileError(_other_label(label, name, wanted))
    return block.rstrip() + b"\n", label


def _other_label(label: str, name: str, wanted: tuple[str, ...]) -> Problem:
    expected = _wanted_words(wanted)
    if label in _PRIVATE:
        step = "take its public part out with `gemel keys show`"
        return Problem("a private key where a public one is due", name, label, expected, step)
    if label in _PUBLIC:
        return Problem("a public key where a private one is due", name, label, expected)
    if label in _OTHERS:
        found, step = _OTHERS[label]
        return Problem("no key that can be read", name, found, expected, step)
    return Problem("no key that can be read", name, f"a PEM block {label}", expected)


def _wanted_words(wanted: tuple[str, ...]) -> str:
    kind = "a public key" if wanted is _PUBLIC else "a private key"
    return f"{kind} ({', '.join(wanted)})"


def _why_not_public(block: bytes, label: str, name: str) -> Problem:
    expected = "a public key in PEM or DER"
    if not label:
        try:
            private = _private(block, pem=False, pass_phrase=None) is not None
        except TypeError:
            private = True
        except _UnreadableKey:
            private = False
        if private:
            step = "take its public part out with `gemel keys show`"
            return Problem("a private key where a public one is due", name, "", expected, step)
    return Problem("not a key, or damaged", name, _size_words(block), expected)


def _why_not_private(
    block: bytes, label: str, name: str, pass_phrase: bytes | None, error: _UnreadableKey
) -> Problem:
    expected = "a private key in PEM or DER"
    if not label and _public(block, pem=False) is not None:
        return Problem("a public key where a private one is due", name, "", expected)
    if pass_phrase is not None and _needs_pass_phrase(block, pem=bool(label)):
        return Problem("the pass phrase does not open the key", name, "", "", "give the right pass phrase")
    return Problem("not a key, or damaged", name, _size_words(block), expected)


def _needs_pass_phrase(block: bytes, *, pem: bool) -> bool:
    try:
        _private(block, pem=pem, pass_phrase=None)
    except TypeError:
        return True
    except _UnreadableKey:
        pass
    return False


def _pass_phrase_problem(name: str, *, given: bool) -> Problem:
    if given:
        step = "leave the pass phrase out, or encrypt the key"
        return Problem("a pass phrase was given, but the key is not encrypted", name, next_step=step)
    return Problem(
        "the key is encrypted, and no pass phrase was given", name, next_step="give its pass phrase"
    )


def _size_words(data: bytes) -> str:
    return "an empty file" if not data else f"{len(data):,} bytes"


def _algorithm(key: Any, name: str) -> SignatureAlgorithm:
    algorithm = schemes.algorithm_of(key)
    if algorithm is None:
        raise KeyFileError(
            Problem(
                "a key that no signature algorithm of a seal takes",
                name,
                schemes.key_words(key),
                schemes.supported_words(),
            )
        )
    return algorithm


def _public(block: bytes, *, pem: bool) -> Any | None:
    from cryptography.hazmat.primitives import serialization

    read = serialization.load_pem_public_key if pem else serialization.load_der_public_key
    try:
        return _quietly(lambda: read(block))
    except _UnreadableKey:
        return None


def _private(block: bytes, *, pem: bool, pass_phrase: bytes | None) -> Any:
    """The library's private key.  Raises TypeError: pass phrase missing or not due; _UnreadableKey."""
    from cryptography.hazmat.primitives import serialization

    read = serialization.load_pem_private_key if pem else serialization.load_der_private_key
    return _quietly(lambda: read(block, pass_phrase))


def _quietly(read: Callable[[], Any]) -> Any:
    """What ``read`` gives, less the library's warnings about old kinds of key: those are refused anyway."""
    from cryptography.exceptions import UnsupportedAlgorithm

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return read()
        except (ValueError, UnsupportedAlgorithm) as error:
            raise _UnreadableKey from error
