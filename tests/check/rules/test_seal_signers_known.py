"""``seal-signers-known``: a seal with signers that nobody can verify."""

from __future__ import annotations

from sealed_images import NEW, OLD, OPTIONAL, P256, REQUIRED, STRANGER, of, sealed, sealed_layout, unsealed
from small_device import findings

from gemel.inspection.seal import key_words
from gemel.seals.cose import ALGORITHM, CONTENT_TYPE, KEY_ID, CoseSign, Signature, encode
from gemel.seals.format import RECORD_CONTENT_TYPE
from gemel.seals.keys.algorithms import algorithm_named
from gemel.seals.sealing import present_seal, put_seal

RULE = "seal-signers-known"
ONE = sealed_layout("required = true\nunknown_signers = 1\n")


def with_signers(read, image, count: int) -> None:  # type: ignore[no-untyped-def]
    """The attack: beside the good ones, ``count`` signers whose signatures are bytes of somebody's choice."""
    foreign = algorithm_named("ECDSA-P384")
    assert foreign is not None
    parts = [
        Signature({ALGORITHM: each.algorithm.cose_id, KEY_ID: each.key_fingerprint}, each.signature)
        for each in present_seal(read.layout, image).signers
    ]
    for number in range(count):
        header = {ALGORITHM: foreign.cose_id, KEY_ID: bytes((number + 1,)) * 32}
        parts.append(Signature(header, b"\xbe\xef" * (foreign.signature_size // 2)))
    parts.sort(key=lambda part: part.protected_bytes)
    put_seal(read.layout, image, encode(CoseSign({CONTENT_TYPE: RECORD_CONTENT_TYPE}, tuple(parts))))


def with_foreign_bytes(count: int, read=REQUIRED):  # type: ignore[no-untyped-def]
    """A sealed image with that many of them."""
    image = sealed(OLD, read=read)
    with_signers(read, image, count)
    return image


BREAKS = {
    "foreign bytes as a signature": lambda: of(RULE, with_foreign_bytes(1)),
    "a stranger's sound signature": lambda: of(RULE, sealed(OLD, STRANGER)),
    "more than are allowed": lambda: of(RULE, with_foreign_bytes(2, ONE), read=ONE),
    "where no seal is required": lambda: of(RULE, sealed(OLD, NEW, read=OPTIONAL), read=OPTIONAL),
}

KEEPS = {
    "one signer": lambda: of(RULE, sealed(OLD)),
    "all keys trusted": lambda: of(RULE, sealed(OLD, NEW, P256), [OLD, NEW, P256]),
    "a key that the layout names and --trust leaves out": lambda: of(
        RULE, sealed(OLD, NEW), [NEW], known=(OLD.public_key,)
    ),
    "a rotation that is allowed": lambda: of(RULE, sealed(OLD, NEW, read=ONE), read=ONE),
}


def test_the_finding_says_how_many_bytes_nobody_verified() -> None:
    """What a reader of the report needs to see: how much room there is for foreign bytes."""
    (finding,) = findings(of(RULE, with_foreign_bytes(1)))
    assert "bytes that nobody verified" in finding.found


def test_a_known_key_that_does_not_count_must_still_hold() -> None:
    """A signer that --trust leaves out is no room either: a damaged signature of it is found."""
    image = sealed(OLD, NEW)
    seal = present_seal(REQUIRED.layout, image)
    at = REQUIRED.layout.span_of("seal").start
    data = bytearray(image.read(REQUIRED.layout.span_of("seal"), 0xFF))
    old = next(each for each in seal.signers if each.key_fingerprint == OLD.public_key.fingerprint)
    place = data.index(old.signature)
    data[place : place + 8] = b"\xbe\xef" * 4
    image.write(at, bytes(data))
    result = of("seal-over-this-record", image, [NEW], known=(OLD.public_key,))
    assert result.status == "broken"
    assert result.findings[0].finding.what == "a signature does not hold over this record"


def test_the_signers_that_stand_are_named_by_whether_they_are_known() -> None:
    """What holds names the known signers, and by themselves those that are allowed though nobody knows them."""
    held = {
        name: [each.where for each in KEEPS[name]().holds]
        for name in ("one signer", "a rotation that is allowed")
    }
    old, new = (f"Ed25519 {key_words(key.public_key.fingerprint)}" for key in (OLD, NEW))
    assert held["one signer"] == [old]
    assert held["a rotation that is allowed"] == [old, f"unknown, as allowed: {new}"]


def test_nothing_to_say_without_a_seal_or_a_trusted_signer() -> None:
    """What others have found is not told twice."""
    assert [each.reason for each in of(RULE, unsealed()).not_applicable] == ["there is no seal"]
    assert [each.reason for each in of(RULE, sealed(STRANGER)).not_checked] == [
        "no trusted key made the seal"
    ]
