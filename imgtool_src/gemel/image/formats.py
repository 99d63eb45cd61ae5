"""The image file formats, and which of them a file name means."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING

from gemel.errors import UsageProblem
from gemel.image.sparse import SparseBytes
from gemel.spans import Span
from gemel.structs import Struct

if TYPE_CHECKING:
    from gemel.image.image import Decoded


class FileContents(Struct):
    """What an image file is to say.

    ``span`` (None: from the first byte held to the last) and ``fill`` (0 to 255; None: every byte must
    be held) matter to formats without addresses; ``entry`` (32 bits) to those that can name it, and
    ``header`` (at most 252 bytes) to those with room for text.
    """

    image: SparseBytes
    entry: int | None = None
    span: Span | None = None
    fill: int | None = None
    header: str = ""


class Format(Struct):
    """One image file format; ``short`` is its name on the command line.

    ``has_addresses`` is False when reading must be given the start.  ``decode`` takes blocks of the file,
    its name for problems, and the start address, which formats with addresses do not look at; it raises
    ImageFormatError.  ``encode`` raises ValueError for contents that the format cannot say.
    """

    name: str
    short: str
    suffixes: tuple[str, ...]
    has_addresses: bool
    decode: Callable[[Iterable[bytes], str, int], Decoded]
    encode: Callable[[FileContents], Iterator[bytes]]


def _decode_raw(blocks: Iterable[bytes], name: str, start: int) -> Decoded:
    from gemel.image import raw_binary

    return raw_binary.decode(blocks, start, name)


def _encode_raw(contents: FileContents) -> Iterator[bytes]:
    from gemel.image import raw_binary

    span = contents.span or contents.image.bounds() or Span(0, 0)
    return raw_binary.encode(contents.image, span, contents.fill)


def _decode_intel_hex(blocks: Iterable[bytes], name: str, _start: int) -> Decoded:
    from gemel.image import intel_hex

    return intel_hex.decode(blocks, name)


def _encode_intel_hex(contents: FileContents) -> Iterator[bytes]:
    from gemel.image import intel_hex

    return intel_hex.encode(contents.image, contents.entry)


def _decode_s_record(blocks: Iterable[bytes], name: str, _start: int) -> Decoded:
    from gemel.image import s_record

    return s_record.decode(blocks, name)


def _encode_s_record(contents: FileContents) -> Iterator[bytes]:
    from gemel.image import s_record

    return s_record.encode(contents.image, contents.entry, header=contents.header)


FORMATS = (
    Format("raw binary", "bin", (".bin",), False, _decode_raw, _encode_raw),
    Format("Intel HEX", "hex", (".hex", ".ihex"), True, _decode_intel_hex, _encode_intel_hex),
    Format(
        "S-record",
        "srec",
        (".srec", ".s19", ".s28", ".s37", ".mot"),
        True,
        _decode_s_record,
        _encode_s_record,
    ),
)
"""Every format, raw binary first; the code of each is imported when first used."""


def format_of(file_name: str, form: str | None = None) -> Format:
    """Return the format called ``form``; without one that of the suffix of ``file_name``, in upper or lower case.

    Raises UsageProblem for any other suffix, naming the known ones and the nearest.
    """
    if form is not None:
        return next(each for each in FORMATS if each.short == form)
    from gemel.files.paths import FilePath

    suffix = FilePath(file_name).suffix.lower()
    by_suffix = {known: known_format for known_format in FORMATS for known in known_format.suffixes}
    if suffix in by_suffix:
        return by_suffix[suffix]
    from difflib import get_close_matches

    alike = [known for known in by_suffix if known[:2] == suffix[:2]]  # .hx is near .hex, .out not near .mot
    nearest = get_close_matches(suffix, alike, 1, 0.6)
    raise UsageProblem(
        "the suffix names no image file format",
        where=file_name,
        found=suffix or "no suffix",
        expected=", ".join(by_suffix),
        next_step=f"did you mean {nearest[0]}?"
        if nearest
        else f"{'' if file_name == '-' else 'name it by its format, or '}give --as hex, --as srec or --as bin",
    )
