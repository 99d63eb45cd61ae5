"""Private keys under a pass phrase: PKCS#8's EncryptedPrivateKeyInfo with PBES2 (RFC 5958 3, RFC 8018 6.2).

    SEQUENCE
      SEQUENCE  PBES2
        SEQUENCE  PBKDF2: salt (16 bytes), rounds (600,000), HMAC with SHA-256
        SEQUENCE  AES-256-CBC: initial vector (16 bytes)
      OCTET STRING  the encrypted PKCS#8

Any tool that reads PKCS#8 opens it.  It is written here because the library ``cryptography`` writes PKCS#8
with 2,048 rounds and offers no other number: a stolen file could be searched 300 times as fast.
"""

from __future__ import annotations

import os

ROUNDS = 600_000
"""Rounds of PBKDF2 with HMAC-SHA-256: what password-storage guidance requires (common practice)."""

LONGEST_PASS_PHRASE = 1023
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
