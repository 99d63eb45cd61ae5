"""The record: two builds; every other input has its CRC refitted."""

from __future__ import annotations

from records import tide_gauge_record, with_crc

from gemel.errors import GemelError
from gemel.record.record import decode as decoded
from gemel.record.record import encode

REFUSALS = (GemelError,)
SEEDS = [encode(tide_gauge_record())]


def repaired(data: bytes) -> bytes:
    """The record with a CRC that fits."""
    return with_crc(data) if len(data) == len(SEEDS[0]) else data


def decode(data: bytes) -> None:
    """Whatever is taken is written again as it was."""
    record = decoded(data, "fuzz")
    if encode(record) != data[: len(encode(record))]:
        raise ValueError("read and written differ")
