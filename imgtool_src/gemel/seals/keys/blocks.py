"""The one key in a file's bytes: its PEM block or DER, and the library's reading of it.

PEM is RFC 7468; text around a block, as tools write it, is passed over.  An ``EC PARAMETERS`` block, which
some tools write before an EC key, does not count.

What a protected key says of the work that its pass phrase takes, before the library does it::

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

import binascii
import re
import warnings
from collections.abc import Callable, Iterator
from enum import Enum
from typing import Any

from gemel.structs import Struct

MAX_KEY_FILE = 64 << 10
"""Bytes; the largest key of the supported kinds takes about 12 KiB."""

_BEGIN = b"-----BEGIN "
_BEGIN_LINE = re.compile(rb"-----BEGIN ([A-Z0-9 ]{1,40})-----")
_PARAMETERS = "EC PARAMETERS"
_ENCRYPTED = "ENCRYPTED PRIVATE KEY"


class Unreadable(Enum):
    """Why the library gave no key."""

    DAMAGED = "not a key, or damaged"
    UNKNOWN_KIND = "a key, or an encryption of it, that the installed library cryptography does not know"
    ENCRYPTED = "the key is encrypted, and no pass phrase was given"
    NOT_ENCRYPTED = "a pass phrase was given, but the key is not encrypted"
    TOO_MUCH_WORK = "the encryption of the key takes more work than any key needs"


class UnreadableKey(Exception):
    """The library gave no key; ``reason`` says why, ``found`` and ``expected`` what of TOO_MUCH_WORK."""

    def __init__(self, reason: Unreadable, *, found: str = "", expected: str = "") -> None:
        super().__init__(reason.value)
        self.reason, self.found, self.expected = reason, found, expected


class KeyBlock(Struct, repr=False):
    """A key as it is written; ``label`` is that of its PEM block, empty for DER."""

    data: bytes
    label: str


def key_blocks(data: bytes) -> list[KeyBlock]:
    """The keys in ``data``: complete PEM blocks, or all of it as DER where it is not PEM.

    What stands after the largest size of a key file is not looked at.
    """
    data = bytes(data[: MAX_KEY_FILE + 1])
    if _BEGIN not in data:
        return [KeyBlock(data, "")]
    found, done, endless = [], 0, set()
    for match in _BEGIN_LINE.finditer(data):
        label = match[1]
        if match.start() < done or label in endless:
            continue
        last = b"-----END %b-----" % label
        end = data.find(last, match.end())
        if end < 0:
            endless.add(label)
            continue
        done = end + len(last)
        found.append(KeyBlock(data[match.start() : done] + b"\n", label.decode("ascii")))
    return [block for block in found if block.label != _PARAMETERS]


def library_public_key(block: KeyBlock) -> Any:
    """The library's public key.  Raises UnreadableKey."""
    from cryptography.hazmat.primitives import serialization

    read = serialization.load_pem_public_key if block.label else serialization.load_der_public_key
    return _read(lambda: read(block.data), Unreadable.DAMAGED)


def library_private_key(block: KeyBlock, pass_phrase: bytes | None = None) -> Any:
    """The library's private key.  Raises UnreadableKey; a wrong pass phrase counts as damage."""
    from cryptography.hazmat.primitives import serialization

    if pass_phrase is not None and block.label in ("", _ENCRYPTED):
        block = _within_bounds(block)
    read = serialization.load_pem_private_key if block.label else serialization.load_der_private_key
    mismatch = Unreadable.ENCRYPTED if pass_phrase is None else Unreadable.NOT_ENCRYPTED
    return _read(lambda: read(block.data, pass_phrase), mismatch)


def _within_bounds(block: KeyBlock) -> KeyBlock:
    """The PKCS#8 of ``block`` as the DER whose numbers were looked at, so that the library reads no others."""
    try:
        text = b"".join(block.data.split(b"-----")[2].split()) if block.label else b""
        der = binascii.a2b_base64(text, strict_mode=True) if block.label else block.data
        work = too_much_work(der)
    except ValueError as error:
        raise UnreadableKey(Unreadable.DAMAGED) from error
    if work is not None:
        raise UnreadableKey(Unreadable.TOO_MUCH_WORK, found=work[0], expected=work[1])
    return KeyBlock(der, "")


def why_not_private(block: KeyBlock) -> Unreadable | None:
    """Why ``block`` is no private key as it stands, without a pass phrase; None where it is one."""
    try:
        library_private_key(block)
    except UnreadableKey as error:
        return error.reason
    return None


def _read(read: Callable[[], Any], mismatch: Unreadable) -> Any:
    """What ``read`` gives, less the library's warnings about old kinds of key: those are refused anyway.

    The library raises TypeError where a pass phrase and a key do not go together: ``mismatch``.
    """
    from cryptography.exceptions import InternalError, UnsupportedAlgorithm

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return read()
        except TypeError as error:
            raise UnreadableKey(mismatch) from error
        except UnsupportedAlgorithm as error:
            raise UnreadableKey(Unreadable.UNKNOWN_KIND) from error
        except (ValueError, InternalError) as error:  # InternalError: a raw key of another length
            raise UnreadableKey(Unreadable.DAMAGED) from error


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
