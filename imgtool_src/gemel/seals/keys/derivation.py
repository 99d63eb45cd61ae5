"""The work that an encrypted PKCS#8 key requires of each pass phrase, read before the library does it.

    SEQUENCE  EncryptedPrivateKeyInfo (RFC 5958 3)
      SEQUENCE  the encryption: PBES1 or PBES2 (RFC 8018 A.3, A.4), or PKCS#12's (RFC 7292 C)
        OBJECT, and the integers of its parameters, at any depth:
          PBKDF2, PBES1, PKCS#12   rounds                       (RFC 8018 A.2, A.3)
          scrypt                   N, r, p: cost, block size, parallelization   (RFC 7914 7.1)
      OCTET STRING  the encrypted PKCS#8

These numbers are the file's own: 150 bytes can require hours, or for terabytes.  Other integers there (the length
of a key, the version of RC2) are small.
"""

from __future__ import annotations

from collections.abc import Iterator

MAX_ROUNDS = 2_000_000
"""Three times what password-storage guidance requires (common practice); 2 s with HMAC-SHA-512."""

MAX_SCRYPT_MEMORY = 256 << 20
"""Bytes, 128 N r: twice what that guidance requires (N = 2^17, r = 8; common practice)."""

MAX_SCRYPT_WORK = 1 << 21
"""N r p: twice what that guidance requires; 1.2 s."""

MAX_SCRYPT_LANES = 1024
"""r p: each takes 128 bytes of PBKDF2 before and after, with a salt that can fill the file."""

_SCRYPT = bytes.fromhex("2B06010401DA47040B")
_INTEGER, _OBJECT, _SEQUENCE = 0x02, 0x06, 0x30


class NotDer(ValueError):
    """Not the DER of an encrypted key."""


def too_much_work(der: bytes) -> tuple[str, str] | None:
    """What the key in ``der`` requires, and what is allowed, where that is less; else None.

    None too for what is no PKCS#8 under a pass phrase.  Raises NotDer.
    """
    outer = list(_items(der))
    if len(outer) != 1:
        raise NotDer
    tag, body = outer[0]
    parts = list(_items(body)) if tag == _SEQUENCE else []
    if not parts or parts[0][0] != _SEQUENCE:
        return None
    leaves = list(_leaves(parts[0][1], 0))
    numbers = [int.from_bytes(content, "big") for tag, content in leaves if tag == _INTEGER]
    if (_OBJECT, _SCRYPT) in leaves and len(numbers) >= 3:
        return _scrypt(*numbers[:3])
    if numbers and max(numbers) > MAX_ROUNDS:
        return f"{_shown(max(numbers))} rounds", f"at most {MAX_ROUNDS:,} rounds"
    return None


def _scrypt(cost: int, block: int, lanes: int) -> tuple[str, str] | None:
    memory, work = 128 * cost * block, cost * block * lanes
    if memory <= MAX_SCRYPT_MEMORY and work <= MAX_SCRYPT_WORK and block * lanes <= MAX_SCRYPT_LANES:
        return None
    found = f"scrypt with N = {_shown(cost)}, r = {_shown(block)}, p = {_shown(lanes)}"
    most = f"N r at most {MAX_SCRYPT_MEMORY // 128:,} ({MAX_SCRYPT_MEMORY >> 20} MiB)"
    return found, f"{most}, N r p at most {MAX_SCRYPT_WORK:,}, r p at most {MAX_SCRYPT_LANES:,}"


def _shown(number: int) -> str:
    return f"{number:,}" if number < 1 << 64 else f"over 2^{number.bit_length() - 1}"


def _leaves(data: bytes, depth: int) -> Iterator[tuple[int, bytes]]:
    if depth > 8:
        raise NotDer
    for tag, content in _items(data):
        if tag == _SEQUENCE:
            yield from _leaves(content, depth + 1)
        else:
            yield tag, content


def _items(data: bytes) -> Iterator[tuple[int, bytes]]:
    """The items in ``data``, one after the other: each with its tag (one byte) and content."""
    at = 0
    while at < len(data):
        head = data[at : at + 2]
        if len(head) < 2:
            raise NotDer
        tag, size = head
        at += 2
        if size >= 0x80:
            width = size & 0x7F
            size = int.from_bytes(data[at : at + width], "big")
            if not 1 <= width <= 4 or len(data) - at < width:
                raise NotDer
            at += width
        if len(data) - at < size:
            raise NotDer
        yield tag, data[at : at + size]
        at += size
