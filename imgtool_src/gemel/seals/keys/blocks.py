"""The one key in a file's bytes: its PEM block or DER, and the library's reading of it.

PEM is RFC 7468; text around a block, as tools write it, is passed over.  An ``EC PARAMETERS`` block, which
some tools write before an EC key, does not count.
"""

from __future__ import annotations

import binascii
import re
import warnings
from collections.abc import Callable
from enum import Enum
from typing import Any

from gemel.seals.keys.derivation import too_much_work
from gemel.structs import Struct

LARGEST_KEY_FILE = 64 << 10
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
    data = bytes(data[: LARGEST_KEY_FILE + 1])
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
