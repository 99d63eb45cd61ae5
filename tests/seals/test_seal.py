"""The seal made, read and verified; and every way in which it is refused."""

from __future__ import annotations

import pytest
from records import tide_gauge_record
from seal_keys import every_key, key_for, other_key, sign_all

from gemel.record import record
from gemel.seals.cose import MAX_SIGNERS, CoseSign, Signature, encode, sig_structure
from gemel.seals.format import RECORD_CONTENT_TYPE
from gemel.seals.keys.algorithms import ALGORITHMS, ECDSA_P256, ED25519, ML_DSA_87, algorithm_names
from gemel.seals.keys.keys import PublicKey
from gemel.seals.seal import (
    SealError,
    SealFault,
    SignatureOutcome,
    bytes_to_sign,
    check_room,
    make_seal,
    read_seal,
    seal_size,
    signature_made_elsewhere,
    verify,
)
from gemel.structs import replace

RECORD = record.encode(tide_gauge_record())
OTHER_RECORD = record.encode(replace(tide_gauge_record(), rollback=2))
WHERE = "area seal"


def outcomes(seal: bytes, record_bytes: bytes, *trusted: PublicKey) -> list[SignatureOutcome]:
    """What becomes of each signer of a seal in an area of its size."""
    return [each.outcome for each in verify(read_seal(seal, 0xFF, WHERE), record_bytes, trusted)]


def faults_of(area: bytes, erased_byte: int = 0xFF) -> tuple[SealFault, ...]:
    """What is wrong with the seal in ``area``."""
    with pytest.raises(SealError) as caught:
        read_seal(area, erased_byte, WHERE)
    assert all(problem.where.startswith(WHERE) for problem in caught.value.problems)
    return caught.value.faults


@pytest.mark.parametrize("name", algorithm_names())
@pytest.mark.parametrize("erased_byte", [0xFF, 0x00])
def test_a_seal_is_read_back_and_holds(name: str, erased_byte: int) -> None:
    """A seal by each algorithm has the size known beforehand, is read from its area, and holds over its
    record and over no other."""
    key = key_for(name)
    seal = sign_all(RECORD, [key])
    assert len(seal) == seal_size([key.algorithm])
    read = read_seal(seal + bytes([erased_byte]) * 1000, erased_byte, WHERE)
    assert read.size == len(seal)
    (signer,) = read.signers
    assert (signer.algorithm, signer.key_fingerprint) == (key.algorithm, key.public_key.fingerprint)
    (verdict,) = verify(read, RECORD, [key.public_key])
    assert verdict.good
    assert verdict.key == key.public_key
    (verdict,) = verify(read, OTHER_RECORD, [key.public_key])
    assert verdict.outcome is SignatureOutcome.BAD_SIGNATURE
    assert not verdict.good


def test_all_algorithms_sign_one_record_together() -> None:
    """One seal carries a signer of each algorithm; all hold, and its size is known beforehand."""
    keys = every_key()
    seal = sign_all(RECORD, keys)
    assert len(seal) == seal_size(each.algorithm for each in keys)
    assert outcomes(seal, RECORD, *(each.public_key for each in keys)) == [SignatureOutcome.GOOD] * len(keys)


def test_a_classical_and_an_ml_dsa_signer_stand_side_by_side() -> None:
    """Of a pair, each signer is judged on its own: cutting one away leaves a seal with one signer, and a
    change of one signature leaves the other good."""
    pair = [key_for("ECDSA-P384"), key_for("ML-DSA-87")]
    trusted = [each.public_key for each in pair]
    seal = sign_all(RECORD, pair)
    assert outcomes(seal, RECORD, *trusted) == [SignatureOutcome.GOOD, SignatureOutcome.GOOD]
    assert outcomes(sign_all(RECORD, pair[:1]), RECORD, *trusted) == [SignatureOutcome.GOOD]
    broken = seal[:-1] + bytes([seal[-1] ^ 1])
    assert sorted(each.name for each in outcomes(broken, RECORD, *trusted)) == ["BAD_SIGNATURE", "GOOD"]


def test_the_same_bytes_in_whatever_order_signers_come() -> None:
    """Seals by Ed25519 and ECDSA are the same bytes each time, however the keys are ordered."""
    keys = [key_for("ECDSA-P384"), other_key(1), key_for("Ed25519"), key_for("ECDSA-P256")]
    assert sign_all(RECORD, keys) == sign_all(RECORD, keys[::-1])


def test_two_release_keys_and_one_withdrawn() -> None:
    """While both keys are trusted a seal by either or both holds; a withdrawn one is unknown."""
    old, new = other_key(1), other_key(2)
    both = (old.public_key, new.public_key)
    assert outcomes(sign_all(RECORD, [old]), RECORD, *both) == [SignatureOutcome.GOOD]
    assert outcomes(sign_all(RECORD, [new]), RECORD, *both) == [SignatureOutcome.GOOD]
    assert outcomes(sign_all(RECORD, [old, new]), RECORD, *both) == [
        SignatureOutcome.GOOD,
        SignatureOutcome.GOOD,
    ]
    assert outcomes(sign_all(RECORD, [old]), RECORD, new.public_key) == [SignatureOutcome.UNKNOWN_KEY]
    rest = outcomes(sign_all(RECORD, [old, new]), RECORD, new.public_key)
    assert sorted(each.name for each in rest) == ["GOOD", "UNKNOWN_KEY"]


def test_no_trusted_key_knows_no_signer() -> None:
    """Without trusted keys every signer is unknown; none is good."""
    assert outcomes(sign_all(RECORD, every_key()), RECORD) == [SignatureOutcome.UNKNOWN_KEY] * len(ALGORITHMS)


def test_an_algorithm_that_is_not_the_keys_is_told() -> None:
    """A signer that names a trusted key with another algorithm of the same size is refused as such."""
    key = key_for("ECDSA-P256").public_key
    seal = sign_all(RECORD, [key_for("ECDSA-P256")])
    downgraded = seal.replace(b"\xa2\x01\x26\x04", b"\xa2\x01\x27\x04")
    assert downgraded != seal
    assert outcomes(downgraded, RECORD, key) == [SignatureOutcome.OTHER_ALGORITHM]


def test_a_signature_over_anything_else_is_no_seal() -> None:
    """What a key signs as COSE_Sign1, with another content type, with none, with external data, or bare, does
    not hold in a seal over the same record."""
    key = key_for("Ed25519")
    genuine = sign_all(RECORD, [key])
    signer = b"\xa2\x01\x27\x04\x58\x20" + key.public_key.fingerprint
    body = b"\xa1\x03\x78\x1a" + RECORD_CONTENT_TYPE.encode()
    assert key.sign(sig_structure("Signature", [body, signer], RECORD)) == genuine[-64:]
    others = (
        RECORD,
        sig_structure("Signature1", [signer], RECORD),
        sig_structure("Signature", [b"", signer], RECORD),
        sig_structure("Signature", [b"\xa1\x03\x00", signer], RECORD),
        sig_structure("Signature", [body, b"\xa1\x01\x27"], RECORD),
        sig_structure("Signature", [body, signer], RECORD, b"external"),
    )
    for signed in others:
        moved = genuine[:-64] + key.sign(signed)
        assert outcomes(moved, RECORD, key.public_key) == [SignatureOutcome.BAD_SIGNATURE]


def test_bytes_to_sign_are_what_is_signed_and_end_with_the_record() -> None:
    """The bytes handed out are those that every signature is over; the record is their end."""
    for key in every_key():
        data = bytes_to_sign(RECORD, key.algorithm, key.public_key.fingerprint)
        assert data.endswith(RECORD)
        (signer,) = read_seal(sign_all(RECORD, [key]), 0xFF, WHERE).signers
        assert key.public_key.verify(signer.signature, data)
    with pytest.raises(ValueError, match="32 bytes, not 31"):
        bytes_to_sign(RECORD, ED25519, bytes(31))


def test_a_signature_made_elsewhere_is_taken_in() -> None:
    """A seal made of a signature over the handed-out bytes is the one that would have been signed at once."""
    key = key_for("ECDSA-P256")
    public = key.public_key
    signature = key.sign(bytes_to_sign(RECORD, public.algorithm, public.fingerprint))
    der = b"\x30\x45" + _der_integer(signature[:32]) + _der_integer(signature[32:])
    der = der[:1] + bytes([len(der) - 2]) + der[2:]
    for data in (signature, der):
        taken = signature_made_elsewhere(RECORD, public, data, "sig.bin")
        assert make_seal(RECORD, [(public, taken)]) == sign_all(RECORD, [key])


def _der_integer(number: bytes) -> bytes:
    """A positive INTEGER in DER (X.690 8.3)."""
    digits = number.lstrip(b"\0")
    digits = b"\0" + digits if digits[0] & 0x80 else digits
    return bytes([2, len(digits)]) + digits


@pytest.mark.parametrize("name", ["Ed25519", "ECDSA-P256", "RSA-3072-PSS", "ML-DSA-65"])
def test_a_signature_made_elsewhere_over_other_bytes_is_refused(name: str) -> None:
    """A signature over another record or over the bare record, and one of no known size, is refused."""
    key = key_for(name)
    over_other = key.sign(bytes_to_sign(OTHER_RECORD, key.algorithm, key.public_key.fingerprint))
    for data in (over_other, key.sign(RECORD), b"x" * 50, b""):
        with pytest.raises(SealError, match="sign exactly the bytes") as caught:
            signature_made_elsewhere(RECORD, key.public_key, data, "sig.bin")
        assert caught.value.faults == (SealFault.BAD_SIGNATURE,)
        assert caught.value.problems[0].where == "sig.bin"
        assert key.public_key.fingerprint.hex() in str(caught.value)


def test_a_seal_is_not_made_of_what_does_not_hold() -> None:
    """No signer, a key twice, a wrong size and a signature that does not hold are refused, all at once."""
    key, other = key_for("Ed25519"), key_for("ECDSA-P256")
    good = key.sign(bytes_to_sign(RECORD, ED25519, key.public_key.fingerprint))
    with pytest.raises(SealError) as caught:
        make_seal(RECORD, [])
    assert caught.value.faults == (SealFault.NO_SIGNER,)
    with pytest.raises(SealError) as caught:
        make_seal(RECORD, [(key.public_key, good), (key.public_key, good), (other.public_key, bytes(63))])
    assert caught.value.faults == (SealFault.SIGNER_TWICE, SealFault.WRONG_SIGNATURE_SIZE)
    with pytest.raises(SealError) as caught:
        make_seal(OTHER_RECORD, [(key.public_key, good)])
    assert caught.value.faults == (SealFault.BAD_SIGNATURE,)


def test_a_seal_has_at_most_eight_signers() -> None:
    """Eight signers are made and read; nine are refused when made, and when read."""
    keys = [other_key(number) for number in range(1, MAX_SIGNERS + 2)]
    trusted = [each.public_key for each in keys]
    assert outcomes(sign_all(RECORD, keys[:-1]), RECORD, *trusted) == [SignatureOutcome.GOOD] * MAX_SIGNERS
    with pytest.raises(SealError) as caught:
        sign_all(RECORD, keys)
    assert caught.value.faults == (SealFault.TOO_MANY_SIGNERS,)
    nine = encode(CoseSign({3: RECORD_CONTENT_TYPE}, (signer_part(),) * 9))
    assert faults_of(nine) == (SealFault.NOT_COSE,)


def test_an_area_that_is_too_small_says_how_many_bytes_are_needed() -> None:
    """The exact size fits, one byte less is refused with the size that is needed."""
    algorithms = [ECDSA_P256, ML_DSA_87]
    needed = seal_size(algorithms)
    check_room(algorithms, needed, WHERE)
    with pytest.raises(SealError, match=f"expected {needed:,} bytes") as caught:
        check_room(algorithms, needed - 1, WHERE)
    assert caught.value.faults == (SealFault.NO_ROOM,)


def signer_part(**changes: object) -> Signature:
    """The form of a signer, its signature of zeros."""
    fields = {"protected": {1: -8, 4: bytes(32)}, "signature": bytes(64), **changes}
    return Signature(**fields)  # type: ignore[arg-type]


def sealed(*parts: Signature, **changes: object) -> bytes:
    """A COSE_Sign of ``parts`` in the form of a seal, with ``changes``."""
    fields = {"protected": {3: RECORD_CONTENT_TYPE}, "signatures": parts or (signer_part(),), **changes}
    return encode(CoseSign(**fields))  # type: ignore[arg-type]


def test_the_form_that_is_changed_below_is_sound() -> None:
    """The form that the next test damages is read as a seal, with any bytes as a signature."""
    assert read_seal(sealed(), 0xFF, WHERE).signers[0].algorithm == ED25519


HIGH = signer_part(protected={1: -8, 4: b"\1" * 32})
FAULTY = {
    "erased": (b"\xff" * 64, {SealFault.NO_SEAL}),
    "empty": (b"", {SealFault.NO_SEAL}),
    "text": (b"no seal here", {SealFault.NOT_COSE}),
    "another tag": (sealed().replace(b"\xd8\x62", b"\xd8\x61"), {SealFault.NOT_COSE}),
    "no tag": (sealed()[2:], {SealFault.NOT_COSE}),
    "COSE_Sign1": (b"\xd2\x84\x40\xa0\xf6\x40", {SealFault.NOT_COSE}),
    "no signers": (sealed(signatures=()), {SealFault.NOT_COSE}),
    "no content type": (sealed(protected={}), {SealFault.NOT_OF_A_RECORD}),
    "another content type": (sealed(protected={3: "text/plain"}), {SealFault.NOT_OF_A_RECORD}),
    "content type as a number": (sealed(protected={3: 42}), {SealFault.NOT_OF_A_RECORD}),
    "content type unprotected": (
        sealed(protected={}, unprotected={3: RECORD_CONTENT_TYPE}),
        {SealFault.NOT_OF_A_RECORD, SealFault.WRONG_HEADER},
    ),
    "more in the header": (sealed(protected={3: RECORD_CONTENT_TYPE, 9: 1}), {SealFault.WRONG_HEADER}),
    "more next to the header": (sealed(unprotected={9: 1}), {SealFault.WRONG_HEADER}),
    "payload inside": (sealed(payload=b"record"), {SealFault.PAYLOAD_INSIDE}),
    "empty payload inside": (sealed(payload=b""), {SealFault.PAYLOAD_INSIDE}),
    "unknown algorithm": (
        sealed(signer_part(protected={1: -36, 4: bytes(32)})),
        {SealFault.UNKNOWN_ALGORITHM},
    ),
    "algorithm as text": (
        sealed(signer_part(protected={1: "EdDSA", 4: bytes(32)})),
        {SealFault.UNKNOWN_ALGORITHM},
    ),
    "no algorithm": (
        sealed(signer_part(protected={4: bytes(32)})),
        {SealFault.WRONG_HEADER, SealFault.UNKNOWN_ALGORITHM},
    ),
    "algorithm unprotected": (
        sealed(signer_part(protected={4: bytes(32)}, unprotected={1: -8})),
        {SealFault.WRONG_HEADER, SealFault.UNKNOWN_ALGORITHM},
    ),
    "key id unprotected": (
        sealed(signer_part(protected={1: -8}, unprotected={4: bytes(32)})),
        {SealFault.WRONG_HEADER, SealFault.WRONG_KEY_ID},
    ),
    "short key id": (sealed(signer_part(protected={1: -8, 4: bytes(31)})), {SealFault.WRONG_KEY_ID}),
    "key id as text": (sealed(signer_part(protected={1: -8, 4: "x" * 32})), {SealFault.WRONG_KEY_ID}),
    "short signature": (sealed(signer_part(signature=bytes(63))), {SealFault.WRONG_SIGNATURE_SIZE}),
    "long signature": (sealed(signer_part(signature=bytes(65))), {SealFault.WRONG_SIGNATURE_SIZE}),
    "empty signature": (sealed(signer_part(signature=b"")), {SealFault.WRONG_SIGNATURE_SIZE}),
    "the same signer twice": (sealed(signer_part(), signer_part()), {SealFault.SIGNER_TWICE}),
    "descending signers": (sealed(HIGH, signer_part()), {SealFault.OUT_OF_ORDER}),
    "a byte after": (sealed() + b"\xff\x00\xff", {SealFault.BYTES_BEHIND}),
    "a seal after": (sealed() + b"\xff" * 4 + sealed(), {SealFault.BYTES_BEHIND}),
    "much at once": (
        sealed(signer_part(protected={}), HIGH, payload=b"x", protected={}) + b"\0",
        {
            SealFault.NOT_OF_A_RECORD,
            SealFault.PAYLOAD_INSIDE,
            SealFault.WRONG_HEADER,
            SealFault.UNKNOWN_ALGORITHM,
            SealFault.WRONG_KEY_ID,
            SealFault.BYTES_BEHIND,
        },
    ),
}


@pytest.mark.parametrize("name", FAULTY)
def test_each_fault_is_told_by_its_name(name: str) -> None:
    """Each way in which a seal's form can be wrong is refused with its own kind and nothing else."""
    area, faults = FAULTY[name]
    assert set(faults_of(area)) == faults


def test_every_kind_of_fault_is_provoked() -> None:
    """The table above and the tests of making provoke every kind of fault there is."""
    making = {SealFault.NO_SIGNER, SealFault.TOO_MANY_SIGNERS, SealFault.BAD_SIGNATURE, SealFault.NO_ROOM}
    assert set().union(*(faults for _, faults in FAULTY.values())) | making == set(SealFault)
