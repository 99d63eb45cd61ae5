"""Raw binary: the bytes of one span, and nothing else.

::

    offset   0    1    2   ...  size - 1
           +----+----+----+---+----------+
           | the byte at address start + offset
           +----+----+----+---+----------+

There is no header, address, entry, checksum or end mark (common practice; no standard).  Reading needs
the start address from elsewhere; writing needs a byte for the addresses that hold nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gemel.errors import ImageFormatError
from gemel.image.image import Decoded
from gemel.image.sparse import SparseBytes
from gemel.spans import ADDRESS_SPACE, Span, format_address

BLOCK = 1 << 18
"""Bytes that ``encode`` makes at a time."""


def decode(blocks: Iterable[bytes], start: int, name: str) -> Decoded:
    """Read a raw binary from ``blocks`` of any size, its first byte at address ``start``.

    Raises ImageFormatError for an empty file, and when a byte would be beyond 4 GiB.
    """
    image = SparseBytes()
    address = start
    for block in blocks:
        if address < 0 or address + len(block) > ADDRESS_SPACE:
            wrong = address if address < 0 else address + len(block) - 1
            what = "the file reaches beyond the 32-bit address space"
            advice = f"check whether {format_address(start)} is its start address"
            found = f"a byte at {format_address(wrong)}"
            raise ImageFormatError(
                what, where=name, found=found, expected="0x0000_0000..0xFFFF_FFFF", next_step=advice
            )
        image.write(address, block)
        address += len(block)
    if not image.size:
        advice = "check whether this is the right file, and whether what wrote it was cut short"
        raise ImageFormatError(
            "the file is empty",
            where=name,
            found="0 bytes",
            expected="at least one byte",
            next_step=advice,
        )
    return Decoded(image, None, ())


def encode(image: SparseBytes, span: Span, fill: int | None) -> Iterator[bytes]:
    """Write the bytes of ``span`` in blocks of up to 256 KiB, with the byte ``fill`` where nothing is held.

    What the image holds outside ``span`` is not written.  Raises ValueError, before the first block,
    for a span outside the address space, and with ``fill`` None for a span that is not held in full.
    """
    if span.start < 0 or span.end > ADDRESS_SPACE:
        raise ValueError(f"{span} is outside the 32-bit address space")
    if fill is None and not image.holds(span):
        raise ValueError(f"not every byte of {span} is held, and there is no byte to fill in")
    return (
        image.read(Span.from_bounds(start, min(span.end, start + BLOCK)), fill)
        for start in range(span.start, span.end, BLOCK)
    )
