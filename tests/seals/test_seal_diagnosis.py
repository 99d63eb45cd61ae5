"""Why a signature does not hold: what is told of each algorithm, and that nothing is told wrongly."""

from __future__ import annotations

import random

import pytest
from records import tide_gauge_record
from seal_keys import every_key, key_for

from gemel.record import record
from gemel.seals.diagnosis import SignatureFault, reason_for
from gemel.seals.format import SealSigner
from gemel.seals.keys.keys import PrivateKey
from gemel.seals.seal import bytes_to_sign

RECORD = record.encode(tide_gauge_record())
OTHER = RECORD[:100] + b"\x01" + RECORD[101:]
"""Another record's bytes, as far as signatures are concerned."""

KEYS = [pytest.param(key, id=key.algorithm.name) for key in every_key()]
BY_BIT = {"Ed25519", "ECDSA-P256", "ECDSA-P384"}


def signer(key: PrivateKey, signature: bytes) -> SealSigner:
    """A signer of a seal with that signature."""
    return SealSigner(key.algorithm, key.public_key.fingerprint, signature)


def signed(key: PrivateKey, record_bytes: bytes) -> bytes:
    """The signature of a key over a record's bytes."""
    return key.sign(bytes_to_sign(record_bytes, key.algorithm, key.public_key.fingerprint))


def told(
    key: PrivateKey, signature: bytes, other: bytes | None = None, *, others_hold: bool = False
) -> SignatureFault:
    """Why that signature does not hold over RECORD."""
    return reason_for(signer(key, signature), key.public_key, RECORD, other, others_hold=others_hold)


@pytest.mark.parametrize("key", KEYS)
def test_a_signature_from_another_record_at_hand_was_moved(key: PrivateKey) -> None:
    """With the other record every algorithm tells; a record that it was not made over tells nothing."""
    signature = signed(key, OTHER)
    assert told(key, signature, OTHER) is SignatureFault.MOVED
    assert told(key, signature, OTHER + b"\0") is not SignatureFault.MOVED


@pytest.mark.parametrize("key", KEYS)
def test_a_signature_from_elsewhere_is_told_by_rsa_alone(key: PrivateKey) -> None:
    """Of RSA the padding shows that the key made it; of the others nothing does."""
    reason = told(key, signed(key, OTHER))
    assert reason is (
        SignatureFault.OTHER_BYTES if key.algorithm.name.startswith("RSA") else SignatureFault.UNKNOWN
    )


@pytest.mark.parametrize("key", KEYS)
def test_a_flipped_bit_is_told_where_it_can_be(key: PrivateKey) -> None:
    """Ten bits here and there, one at a time, of the signature over this very record."""
    signature = signed(key, RECORD)
    generator = random.Random(key.algorithm.name)
    for _ in range(10):
        place = generator.randrange(len(signature))
        changed = bytearray(signature)
        changed[place] ^= 1 << generator.randrange(8)
        reason = told(key, bytes(changed))
        if key.algorithm.name in BY_BIT:
            assert reason is SignatureFault.DAMAGED_BIT
        elif key.algorithm.name.startswith("RSA"):
            assert reason is SignatureFault.DAMAGED
        else:
            assert reason is SignatureFault.UNKNOWN


@pytest.mark.parametrize("key", KEYS)
@pytest.mark.parametrize("fill", [0x00, 0xFF, None], ids=["zeros", "ones", "random"])
def test_what_is_no_signature_at_all_is_not_told_to_be_one(key: PrivateKey, fill: int | None) -> None:
    """Any bytes of the right size: of RSA damaged (too large a number, too), of the others unknown."""
    size = key.algorithm.signature_size
    signature = random.Random(7).randbytes(size) if fill is None else bytes((fill,)) * size
    reason = told(key, signature)
    assert reason is (
        SignatureFault.DAMAGED if key.algorithm.name.startswith("RSA") else SignatureFault.UNKNOWN
    )
    several = told(key, signature, others_hold=True)
    assert several is (
        SignatureFault.DAMAGED if key.algorithm.name.startswith("RSA") else SignatureFault.ONE_OF_SEVERAL
    )


def test_pss_with_another_salt_is_not_a_seals_and_not_told_to_be() -> None:
    """A PSS signature of the key with a salt of another length than the hash's has not a seal's form."""
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import padding

    key = key_for("RSA-3072-PSS")
    text = bytes_to_sign(OTHER, key.algorithm, key.public_key.fingerprint)
    scheme = padding.PSS(padding.MGF1(hashes.SHA256()), 20)
    signature = key._key.sign(text, scheme, hashes.SHA256())
    assert told(key, signature) is SignatureFault.DAMAGED
