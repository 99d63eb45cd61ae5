"""What ``split`` writes beside a part, NAME.part.toml, as ``join`` reads it."""

from __future__ import annotations

from gemel.builds.part_notes import part_text, with_part_notes
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.errors import GemelError
from gemel.image.intel_hex import encode
from gemel.image.sparse import SparseBytes
from gemel.spans import Span

REFUSALS = (GemelError,)
_IMAGE = SparseBytes()
_IMAGE.write(0x1000_0000, bytes(64))
_BUILD = read_build(BytesSource(b"".join(encode(_IMAGE)), "station.hex"), name="station", file="station.hex")
_PLACES = {"image_length": (Span(0x1000_0010, 4),), "other": (Span(0x1000_0020, 8), Span(0x1000_0030, 8))}
_TEXT = part_text(bytes(64), b"id", 0x1000_0001, _PLACES)
SEEDS = [_TEXT.encode()]
FOUND = [
    _TEXT.replace("format = 1", f"format = {'9' * 5000}").encode(),
    _TEXT.replace("size = 4", f"size = 0x{'f' * 9000}").encode(),
]


def decode(data: bytes) -> None:
    """The notes are taken or refused."""
    with_part_notes(_BUILD, data, "station.part.toml")
