"""What a file is by its first bytes, where it is none of the kinds that gemel reads."""

from __future__ import annotations

import re

from gemel.structs import NamedTuple

LOOK = 4096
"""Bytes from the start of a file that are looked at."""


class Foreign(NamedTuple):
    """A kind of file that is often given by mistake, in words, and what to do."""

    words: str
    step: str


_UNPACK = "unpack it, and give the file that was in it"
_ENCODING = "save it as ASCII or UTF-8: the program that wrote it used 16-bit characters"
_MARKS: tuple[tuple[bytes, Foreign], ...] = (
    (b"!<arch>\n", Foreign("an archive of object files (ar)", "link it first: give what the linker made")),
    (b"\x1f\x8b\x08", Foreign("a file compressed by gzip", _UNPACK)),
    (b"PK\x03\x04", Foreign("a ZIP archive", _UNPACK)),
    (b"\xfd7zXZ\x00", Foreign("a file compressed by xz", _UNPACK)),
    (b"\x28\xb5\x2f\xfd", Foreign("a file compressed by zstd", _UNPACK)),
    (b"7z\xbc\xaf\x27\x1c", Foreign("a 7z archive", _UNPACK)),
    (b"\x04\x22\x4d\x18", Foreign("a file compressed by lz4", _UNPACK)),
)
_HTML = re.compile(rb"\s*<(?:!doctype html|html|head)\b", re.IGNORECASE)
_BZIP2 = re.compile(rb"BZh[1-9]1AY&SY")
_TAR_AT = 257
"""Where a tar archive has its mark (POSIX, pax interchange format)."""
_TEXT_MARKS = (b"\xff\xfe", b"\xfe\xff")
"""Byte order marks of UTF-16 (Unicode, section 23.8); a raw binary may begin so, text that gemel reads may not."""

HEX_LINE = re.compile(rb"\s*:(?:[0-9A-Fa-f]{2}){5,}\s*(?:[\r\n]|$)")
SREC_LINE = re.compile(rb"\s*[Ss][0-9](?:[0-9A-Fa-f]{2}){4,}\s*(?:[\r\n]|$)")
"""A whole line of each text format: what merely begins with the same byte may be a raw binary."""


def foreign(start: bytes, *, text: bool) -> Foreign | None:
    """What begins with ``start`` and is of no use here; None for anything else.

    ``text``: the file's name promises text, so that UTF-16 is recognised too.
    """
    found = next((what for mark, what in _MARKS if start.startswith(mark)), None)
    if found is None and _BZIP2.match(start):
        found = Foreign("a file compressed by bzip2", _UNPACK)
    if found is None and _HTML.match(start):
        found = Foreign(
            "a web page (HTML)", "download the file itself: a server may answer with a page to log in"
        )
    if found is None and start[_TAR_AT:].startswith(b"ustar"):
        found = Foreign("a tar archive", _UNPACK)
    if (
        found is None
        and text
        and (start[:2] in _TEXT_MARKS or re.match(rb"(?:[!-~]\0){4}|(?:\0[!-~]){4}", start))
    ):
        found = Foreign("text in UTF-16", _ENCODING)
    return found
