"""Universally unique identifiers (RFC 9562): as text, as bytes, and made from names.

The standard library's module reads what operating system and compiler it runs on when it is imported, which
takes as long as a join's placing and stamping together.
"""

from __future__ import annotations

from hashlib import sha1

from gemel.structs import Struct


class Uuid(Struct):
    """16 bytes, in the order of the text (RFC 9562 section 4)."""

    bytes: bytes

    def __str__(self) -> str:
        digits = self.bytes.hex()
        return "-".join((digits[:8], digits[8:12], digits[12:16], digits[16:20], digits[20:]))

    def __eq__(self, other: object) -> bool:
        return getattr(other, "bytes", None) == self.bytes

    def __hash__(self) -> int:
        return hash(self.bytes)


NAMESPACE_DNS = Uuid(bytes.fromhex("6ba7b8109dad11d180b400c04fd430c8"))
"""The space of domain names (RFC 9562 section 6.6)."""


def uuid_in(text: str) -> Uuid | None:
    """The identifier that a text is, with or without hyphens, braces and ``urn:uuid:``; None if it is none."""
    try:
        found = bytes.fromhex(text.lower().removeprefix("urn:uuid:").strip("{}").replace("-", ""))
    except ValueError:
        return None
    return Uuid(found) if len(found) == 16 and not any(map(str.isspace, text)) else None


def uuid_of_name(space: Uuid, name: str) -> Uuid:
    """The identifier of a name in a space: version 5 (RFC 9562 section 5.5)."""
    digest = bytearray(sha1(space.bytes + name.encode(), usedforsecurity=False).digest()[:16])
    digest[6] = 0x50 | digest[6] & 0x0F
    digest[8] = 0x80 | digest[8] & 0x3F
    return Uuid(bytes(digest))
