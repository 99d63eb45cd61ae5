"""Images that went through a conversion of text: another encoding, seven bits a character, other line ends.

Each of these changes or moves bytes all over a raw binary.  A build that is given shows which one it was: all of
its bytes are there as the conversion leaves them.  Without builds, what no code is free of is missing.
"""

from __future__ import annotations

import codecs
import string
from binascii import b2a_base64
from collections.abc import Callable

from gemel.inspection.inspection import Inspection
from gemel.placement.placing import Placement
from gemel.record.format import MARK
from gemel.spans import Span
from gemel.structs import NamedTuple

EDGE = 4
"""Bytes at both ends of what is compared that may belong to a character or line end across it."""
CONVERTED = 64
"""Bytes of a build that must be found as a conversion leaves them."""
MIN_TELLING = 512
"""Bytes of an image, without 0x00, from which on what is missing in them says something."""
WITHOUT_CR = 2048
"""Bytes, fill aside, of which one would be 0D: of 3,000 such images one has none by chance."""
SIGNS = 8
"""Line ends, or characters of several bytes, from which on all of them say something."""
MAX_MARK_DISTANCE = 4096
"""Bytes by which line ends may have moved the record's mark."""

_BASE64 = f"{string.ascii_letters}{string.digits}+/".encode()
_REPLACEMENT = "\ufffd".encode()
_SEVEN_BITS = bytes(value & 0x7F for value in range(256))
_QUESTIONS = bytes(value if value < 0x80 else ord("?") for value in range(256))


def _cp1252_to_utf8(data: bytes) -> bytes:
    """By the code page that Windows uses most; five bytes are no character there and are kept."""
    page: dict[int, str | int | None] = {
        code: bytes((code,)).decode("cp1252", "ignore") or chr(code) for code in range(0x80, 0xA0)
    }
    return data.decode("latin-1").translate(str.maketrans(page)).encode()


class Conversion(NamedTuple):
    """What a conversion does, the bytes that it leaves, and how these show."""

    what: str
    of: Callable[[bytes], bytes]
    found: str


UTF8 = Conversion(
    "was converted as text, from one byte a character to UTF-8",
    lambda data: data.decode("latin-1").encode(),
    "two bytes or more, a character of UTF-8, for each byte from 0x80 on",
)
CP1252 = UTF8._replace(of=_cp1252_to_utf8)
REPLACED = Conversion(
    "was read as UTF-8 text, and written with U+FFFD for what is none",
    lambda data: data.decode("utf-8", "replace").encode(),
    "EF BF BD, which is U+FFFD in UTF-8, in place of other bytes",
)
UTF16 = Conversion(
    "was converted as text to UTF-16",
    lambda data: data.decode("latin-1").encode("utf-16-le"),
    "a byte 00 after each byte",
)
SEVEN_BITS = Conversion(
    "went through a transfer of seven bits a byte",
    lambda data: data.translate(_SEVEN_BITS),
    "no byte from 0x80 on: the highest bit of each is gone",
)
ASCII = Conversion(
    "was converted as text to ASCII",
    lambda data: data.translate(_QUESTIONS),
    "3F, a question mark, for each byte from 0x80 on",
)
CR_LF = Conversion(
    "was converted as text, with CR LF as line ends",
    lambda data: data.replace(b"\n", b"\r\n"),
    "0D before each byte 0A",
)
LF = Conversion(
    "was converted as text, with LF as line ends",
    lambda data: data.replace(b"\r\n", b"\n"),
    "no 0D before a byte 0A",
)
NO_CR = Conversion("was converted as text, without CR", lambda data: data.replace(b"\r", b""), "no byte 0D")
NO_NUL = Conversion("was converted as text, without NUL", lambda data: data.replace(b"\0", b""), "no byte 00")
LF_AS_CR = Conversion(
    "was converted as text, with CR as line ends",
    lambda data: data.replace(b"\n", b"\r"),
    "0D in place of each 0A",
)
TABS = Conversion(
    "was converted as text, with blanks for tabs",
    lambda data: data.replace(b"\t", b" " * 8),
    "eight bytes 20 in place of each 09",
)
EVEN = Conversion(
    "holds every second byte only, as one of two memories side by side does",
    lambda data: data[::2],
    "bytes 0, 2, 4 and so on of each build",
)
ODD = EVEN._replace(of=lambda data: data[1::2], found="bytes 1, 3, 5 and so on of each build")
CR_AS_LF = Conversion(
    "was converted as text, with LF as line ends",
    lambda data: data.replace(b"\r\n", b"\n").replace(b"\r", b"\n"),
    "0A in place of each 0D, and of 0D 0A",
)
BASE64 = Conversion(
    "was encoded as Base64",
    lambda data: b2a_base64(data, newline=False),
    "letters, digits, + and / alone, in lines of one length",
)
CONVERSIONS = (
    UTF8,
    CP1252,
    REPLACED,
    UTF16,
    SEVEN_BITS,
    ASCII,
    CR_LF,
    LF,
    NO_CR,
    CR_AS_LF,
    LF_AS_CR,
    NO_NUL,
    TABS,
    EVEN,
    ODD,
)
"""What is looked for (common practice of mail, editors, shells, file transfer and version control)."""


def conversion(inspection: Inspection) -> Conversion | None:
    """What the image went through; None if nothing shows that."""
    data = b"".join(bytes(piece) for _, piece in inspection.image.pieces())
    for placement in inspection.placements.values():
        if found := _of_build(inspection, placement, data):
            return found
    return _by_missing(data) or _by_mark(inspection, data)


def _of_build(inspection: Inspection, placement: Placement, data: bytes) -> Conversion | None:
    """The conversion that leaves all bytes of a build that are not at their place as they are in ``data``."""
    patches = list(inspection.patches.known.values())
    parts = [
        bytes(part)
        for address, part in placement.stored_without(patches)
        if len(part) >= CONVERTED and inspection.bytes_of(Span(address, len(part))) != part
    ]
    for each in CONVERSIONS:
        converted = [(part, each.of(part)) for part in parts]
        changed = [made for part, made in converted if made[EDGE:-EDGE] not in part]
        if changed and all(made[EDGE:-EDGE] in data for made in changed):
            return each
    return None


def _by_missing(data: bytes) -> Conversion | None:
    """By what code of this architecture always has: bytes from 0x80 on, which do not follow UTF-8."""
    if len(data) - data.count(0) < MIN_TELLING:
        return None
    text = data.removeprefix(codecs.BOM_UTF16_LE)
    if not any(text[1::2]):
        return UTF16
    if data.isascii():
        lines = data.rstrip(b"=\r\n").split()
        if len({len(line) for line in lines[:-1]}) <= 1 and not b"".join(lines).translate(None, _BASE64):
            return BASE64
        return ASCII if data.count(b"?") > len(data) // 16 else SEVEN_BITS
    try:
        characters = codecs.getincrementaldecoder("utf-8")().decode(data)  # the last one may be cut
    except UnicodeDecodeError:
        return None
    count = sum(character > "\x7f" for character in characters)
    if count < SIGNS:
        return None
    return REPLACED if data.count(_REPLACEMENT) > count // 2 else UTF8


def _by_mark(inspection: Inspection, data: bytes) -> Conversion | None:
    """By line ends, where the record is not at its place: after the bytes that they add, or before it."""
    plan = inspection.layout.record
    if plan is None or inspection.record is not None:
        return None
    start = inspection.image.bounds()
    half = (
        Span(start.start + (inspection.layout.span_of(plan.area).start - start.start) // 2, 4)
        if start
        else None
    )
    for each in (EVEN, ODD):
        if half and inspection.image.read(half, 0xFF) == each.of(MARK):
            return each
    count = data.count(b"\n")
    if count >= SIGNS and data.count(b"\r\n") == count:  # by chance before one in 256
        return CR_LF
    bounds = inspection.image.bounds()
    place = inspection.layout.span_of(plan.area).start
    around = Span(max(0, place - MAX_MARK_DISTANCE), 2 * MAX_MARK_DISTANCE)
    at = inspection.image.read(around, 0xFF).find(MARK)
    if bounds is None or at < 0:
        return None
    return line_ends(inspection, around.start + at, around.start + at - place)


def line_ends(inspection: Inspection, place: int, distance: int) -> Conversion | None:
    """The conversion of line ends that moves what is at ``place`` by ``distance`` bytes, from the image's start on."""
    bounds = inspection.image.bounds()
    if bounds is None or not distance or place <= bounds.start:
        return None
    before = inspection.image.read(Span.from_bounds(bounds.start, place), 0xFF)
    if distance == before.count(b"\r\n") == before.count(b"\n"):
        return CR_LF
    if distance == 7 * before.count(b" " * 8) and b"\t" not in before:
        return TABS
    # What was left out is gone: in fewer bytes of code than these it may be missing by chance.
    many = len(before) - before.count(0) - before.count(0xFF) >= WITHOUT_CR
    return NO_CR if distance < 0 and many and b"\r" not in before else None
