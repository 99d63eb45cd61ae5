"""Single records of the text formats, made the plain way, for tests to put files together from."""

from __future__ import annotations

S_ADDRESS_BYTES = {0: 2, 1: 2, 2: 3, 3: 4, 5: 2, 6: 3, 7: 4, 8: 3, 9: 2}


def hex_line(kind: int, offset: int = 0, data: bytes = b"") -> bytes:
    """One Intel HEX record with its line end."""
    raw = bytes((len(data), offset >> 8, offset & 0xFF, kind)) + data
    return f":{raw.hex()}{-sum(raw) & 0xFF:02x}\n".upper().encode()


def s_line(kind: int, address: int = 0, data: bytes = b"") -> bytes:
    """One S-record with its line end."""
    width = S_ADDRESS_BYTES[kind]
    raw = bytes((width + len(data) + 1,)) + address.to_bytes(width, "big") + data
    return f"S{kind}{raw.hex()}{~sum(raw) & 0xFF:02x}\n".upper().encode()


HEX_END = hex_line(1)
"""``:00000001FF``"""

S9_END = s_line(9)
"""``S9030000FC``"""
