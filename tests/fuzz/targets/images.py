"""Intel HEX and S-record files."""

from __future__ import annotations

from gemel.errors import GemelError
from gemel.image import intel_hex, s_record
from gemel.image.sparse import SparseBytes

REFUSALS = (GemelError,)
_IMAGE = SparseBytes()
_IMAGE.write(0x1000_0000, bytes(range(48)))
_IMAGE.write(0x1001_FFF8, bytes(16))
SEEDS = [b"".join(codec.encode(_IMAGE, 0x1000_0001)) for codec in (intel_hex, s_record)]


def decode(data: bytes) -> None:
    """An image is taken or refused, by the codec that its first byte names."""
    (s_record if data[:1] == b"S" else intel_hex).decode([data], "fuzz")
