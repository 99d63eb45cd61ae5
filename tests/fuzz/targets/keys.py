"""Keys in PEM and DER, public and private."""

from __future__ import annotations

from seal_keys import key_for

from gemel.errors import GemelError
from gemel.seals.keys.files import is_encrypted, load_private_key, load_public_key

REFUSALS = (GemelError,)
_KEYS = [key_for(name) for name in ("Ed25519", "ECDSA-P256")]
SEEDS = [made for key in _KEYS for made in (key.public_key.to_pem(), key.to_pem(None), key.to_der(None))]

FOUND = [
    # 32 bytes of key under Ed448's object identifier: an error of OpenSSL's, not a ValueError.
    bytes.fromhex(
        "302e020100300506032b6571042204209d6141313145592d2d2d2d2d0a4d436f7742515944326919703bac225c215767"
    ),
]


def decode(data: bytes) -> None:
    """A file is a public key, a private key, or refused as both."""
    is_encrypted(data)
    try:
        load_public_key(data, "fuzz")
    except GemelError:
        load_private_key(data, "fuzz")
