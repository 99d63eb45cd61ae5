"""The seal: one signer and several."""

from __future__ import annotations

from records import tide_gauge_record
from seal_keys import key_for, sign_all

from gemel.errors import GemelError
from gemel.record.record import encode
from gemel.seals.seal import read_seal

REFUSALS = (GemelError,)
_RECORD = encode(tide_gauge_record())
_KEYS = [key_for(name) for name in ("Ed25519", "ECDSA-P256", "ECDSA-P384")]
SEEDS = [sign_all(_RECORD, _KEYS[:count]) for count in (1, 2, 3)]


def decode(data: bytes) -> None:
    """A seal is taken or refused."""
    read_seal(data, 0xFF, "fuzz")
