"""Why a signature does not hold over a record: damaged, or made over something else.

What can be known:

    another given record   a signature that holds over that one was moved from there
    RSA with PSS             the signature is turned back into its encoded message (RFC 8017 9.1.1); where
                             that has the form of PSS, the key's owner made it, over other bytes
    Ed25519, ECDSA           a single flipped bit: turned back, the signature holds
    other signers            one that holds over this record speaks for damage of the one that does not

Nothing else can: to every pair of numbers there is a message that ECDSA or Ed25519 would take it for, and
nobody can find it.  What is reported of RSA rests on about 250 bytes that are as they should be.
"""

from __future__ import annotations

from enum import Enum
from hashlib import new as new_digest
from typing import Any

from gemel.seals.format import SealSigner, bytes_to_sign
from gemel.seals.keys.algorithms import ECDSA_P256, ECDSA_P384, ED25519, RSA_3072, RSA_4096
from gemel.seals.keys.keys import PublicKey

_RSA_HASHES = {RSA_3072: "sha256", RSA_4096: "sha384"}
_TRIED_BIT_BY_BIT = (ED25519, ECDSA_P256, ECDSA_P384)
"""512 or 768 verifications, about a tenth of a second; ML-DSA would take tens of thousands."""


class SignatureFault(Enum):
    """Why a signature does not hold; ``value`` is its text."""

    MOVED = "it was made over the record of another image"
    OTHER_BYTES = "this key made it, over other bytes than this record"
    DAMAGED_BIT = "it is damaged: a single bit of it is flipped"
    DAMAGED = "it is damaged: opened with the key it has not the form of a signature"
    ONE_OF_SEVERAL = "it is damaged, or was added to others that hold over this record"
    UNKNOWN = "it is damaged, or was made over another record: that cannot be known"


def reason_for(
    signer: SealSigner,
    key: PublicKey,
    record_bytes: bytes,
    other_record: bytes | None = None,
    *,
    others_hold: bool = False,
) -> SignatureFault:
    """Why the signature of ``signer`` is not one by ``key`` over ``record_bytes``.

    ``other_record`` is the record of an image that it may come from; ``others_hold`` whether another
    signer of the same seal holds.
    """
    if other_record is not None and key.verify(signer.signature, _signed(signer, other_record)):
        return SignatureFault.MOVED
    if signer.algorithm in _RSA_HASHES:
        return SignatureFault.OTHER_BYTES if _is_pss(signer, key) else SignatureFault.DAMAGED
    if signer.algorithm in _TRIED_BIT_BY_BIT and _one_bit_off(signer, key, record_bytes):
        return SignatureFault.DAMAGED_BIT
    return SignatureFault.ONE_OF_SEVERAL if others_hold else SignatureFault.UNKNOWN


def _signed(signer: SealSigner, record_bytes: bytes) -> bytes:
    return bytes_to_sign(record_bytes, signer.algorithm, signer.key_fingerprint)


def _one_bit_off(signer: SealSigner, key: PublicKey, record_bytes: bytes) -> bool:
    signed = _signed(signer, record_bytes)
    for place in range(8 * len(signer.signature)):
        tried = bytearray(signer.signature)
        tried[place // 8] ^= 1 << place % 8
        if key.verify(bytes(tried), signed):
            return True
    return False


def _is_pss(signer: SealSigner, key: PublicKey) -> bool:
    """Whether the signature opens to an encoded message of EMSA-PSS with a salt as long as the hash."""
    from cryptography.hazmat.primitives.serialization import load_der_public_key

    library_key: Any = load_der_public_key(key.spki_der)
    numbers = library_key.public_numbers()
    value = int.from_bytes(signer.signature, "big")
    if value >= numbers.n:
        return False
    opened = pow(value, numbers.e, numbers.n).to_bytes(len(signer.signature), "big")
    name = _RSA_HASHES[signer.algorithm]
    size = new_digest(name).digest_size
    masked, digest, trailer = opened[: -size - 1], opened[-size - 1 : -1], opened[-1:]
    if trailer != b"\xbc":
        return False
    mask = _mgf1(name, digest, len(masked))
    block = bytes(left ^ right for left, right in zip(masked, mask, strict=True))
    cleared = bytes((block[0] & 0x7F,)) + block[1:-size]
    return cleared == bytes(len(cleared) - 1) + b"\x01"


def _mgf1(name: str, seed: bytes, size: int) -> bytes:
    """The mask of RFC 8017 B.2.1."""
    step = new_digest(name).digest_size
    parts = (new_digest(name, seed + count.to_bytes(4, "big")).digest() for count in range(-(-size // step)))
    return b"".join(parts)[:size]
