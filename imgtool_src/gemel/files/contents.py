"""What a file is by its first bytes, where it is none of the kinds that gemel reads."""

from __future__ import annotations

import re
from typing import Literal

from gemel.structs import NamedTuple

LOOK = 4096
"""Bytes from the start of a file that are looked at."""


ELF_START = b"\x7fELF"
"""What every ELF file begins with (gABI, "ELF Identification")."""

WITHOUT_HEADERS = "link with -n (--nmagic), and keep FILEHDR and PHDRS out of the linker script's segments"
"""What to do about the headers of an ELF file in a segment of it."""


class Foreign(NamedTuple):
    """A kind of file that is often given by mistake, in words, and what to do."""

    words: str
    step: str


_UNPACK = "unpack it, and give the file that was in it"
_LINK = "link it first: give what the linker made"
_ENCODING = "save it as ASCII: the program that wrote it used 16-bit characters"
_MARKS: tuple[tuple[bytes, Foreign], ...] = (
    (b"!<arch>\n", Foreign("an archive of object files (ar)", _LINK)),
    (b"BC\xc0\xde", Foreign("an object file for optimisation at link time (LLVM bitcode)", _LINK)),
    (b"\xde\xc0\x17\x0b", Foreign("an object file for optimisation at link time (LLVM bitcode)", _LINK)),
    (b"\x1f\x8b\x08", Foreign("a file compressed by gzip", _UNPACK)),
    (b"PK\x03\x04", Foreign("a ZIP archive", _UNPACK)),
    (b"\xfd7zXZ\x00", Foreign("a file compressed by xz", _UNPACK)),
    (b"\x28\xb5\x2f\xfd", Foreign("a file compressed by zstd", _UNPACK)),
    (b"7z\xbc\xaf\x27\x1c", Foreign("a 7z archive", _UNPACK)),
    (b"\x04\x22\x4d\x18", Foreign("a file compressed by lz4", _UNPACK)),
    (
        b"version https://git-lfs.github.com/spec/",
        Foreign("a pointer of Git LFS (the file itself was not fetched)", "fetch the file: git lfs pull"),
    ),
    (b"-----BEGIN ", Foreign("a key in PEM", "give a public key with --trust, a private one with --key")),
)
_HTML = rb"\s*<(?i:!doctype html|html|head)\b"
_LINK_MAPS = (
    b"Archive member included", b"As-needed library included", b"Allocating common symbols", b"VMA LMA Size ",
    b"Discarded input sections", b"There are no discarded sections", b"Merging program properties",
    b"Memory Configuration ",
)  # fmt: skip
"""How maps by GNU ld and lld begin, with one space between words."""
_BZIP2 = rb"BZh[1-9]1AY&SY"
_TAR_AT = 257
"""Where a tar archive has its mark (POSIX, pax interchange format)."""
_TEXT_MARKS = (b"\xff\xfe", b"\xfe\xff")
"""Byte order marks of UTF-16 (Unicode, section 23.8); a raw binary may begin so, text that gemel reads may not."""

_HEX_LINE = rb"\s*:(?:[0-9A-Fa-f]{2}){5,}\s*(?:[\r\n]|$)"
_SREC_LINE = rb"\s*[Ss][0-9](?:[0-9A-Fa-f]{2}){4,}\s*(?:[\r\n]|$)"
"""A whole line of each text format: what merely begins with the same byte may be a raw binary."""


def text_format(start: bytes) -> Literal["", "hex", "srec"]:
    """The text format of which a whole line begins with ``start``, if any."""
    first = start.lstrip()[:1]
    if first == b":" and re.match(_HEX_LINE, start):
        return "hex"
    return "srec" if first in (b"S", b"s") and re.match(_SREC_LINE, start) else ""


def foreign(start: bytes, *, text: bool) -> Foreign | None:
    """What begins with ``start`` and is of no use here; None for anything else.

    ``text``: the file's name promises text, so that UTF-16 is recognised too.
    """
    found = next((what for mark, what in _MARKS if start.startswith(mark)), None)
    if found is None and re.match(_BZIP2, start):
        found = Foreign("a file compressed by bzip2", _UNPACK)
    if found is None and start.lstrip().startswith(b"<") and re.match(_HTML, start):
        found = Foreign(
            "a web page (HTML)", "download the file itself: a server may answer with a page to log in"
        )
    if found is None and b" ".join(start.split(None, 5)).startswith(_LINK_MAPS):
        found = Foreign(
            "a link map", "give the ELF file that was linked with it; gemel draft --map reads a map"
        )
    if found is None and start[_TAR_AT:].startswith(b"ustar"):
        found = Foreign("a tar archive", _UNPACK)
    if found is None and text and (start[:2] in _TEXT_MARKS or _is_in_16_bits(start[:8])):
        found = Foreign("text in UTF-16", _ENCODING)
    return found


def instead_of_toml(start: bytes) -> str:
    """What begins with ``start`` and is no file in TOML, in words; empty where it may be one."""
    if form := text_format(start):
        return "an Intel HEX file" if form == "hex" else "an S-record file"
    other = foreign(start, text=True)
    return other.words if other else ""


def _is_in_16_bits(start: bytes) -> bool:
    """Whether four printable ASCII characters are here in 16 bits each, in either byte order."""
    even, odd = start[::2], start[1::2]
    letters = odd if even == bytes(4) else even if odd == bytes(4) else b""
    return len(letters) == 4 and all(0x21 <= each <= 0x7E for each in letters)
