"""The bytes to be signed, as a signing room gets them."""

from __future__ import annotations

from records import tide_gauge_record

from gemel.errors import GemelError
from gemel.record.record import encode
from gemel.seals.keys.algorithms import ALGORITHMS
from gemel.seals.seal import bytes_to_sign
from gemel.seals.to_be_signed import read_to_be_signed, request_lines

REFUSALS = (GemelError,)
SEEDS = [bytes_to_sign(encode(tide_gauge_record()), each, bytes(32)) for each in ALGORITHMS[:2]]


def decode(data: bytes) -> None:
    """What is taken is shown."""
    list(request_lines(read_to_be_signed(data, "fuzz.tbs")))
