"""URIs of keys on tokens (RFC 7512)."""

from __future__ import annotations

from gemel.errors import GemelError
from gemel.seals.keys.token_uri import is_token_uri, parse_token_uri

REFUSALS = (GemelError,)
SEEDS = [
    b"pkcs11:token=release;object=key%20a;id=%01%02;type=private",
    b"pkcs11:object=key?module-path=/usr/lib/softhsm/libsofthsm2.so",
]


def decode(data: bytes) -> None:
    """A URI is taken or refused."""
    text = data.decode("utf-8", "replace")
    is_token_uri(text)
    parse_token_uri(text)
