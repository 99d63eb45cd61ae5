"""``seal-over-this-record``: signatures that do not hold over the image's record, and why."""

from __future__ import annotations

from image_edits import changed
from record_edits import with_record
from sealed_images import (
    ML_DSA,
    NEW,
    OLD,
    OPTIONAL,
    P256,
    ROOM,
    RSA,
    SEAL,
    STRANGER,
    of,
    previous,
    sealed,
    sealed_layout,
    unsealed,
    with_seal_of,
)
from small_device import RECORD, findings, layout_text

from gemel.checking.runner import RuleResult
from gemel.image.sparse import SparseBytes
from gemel.layout.reader import ReadLayout, read_layout
from gemel.seals.demands import seal_faults
from gemel.seals.keys.keys import PrivateKey
from gemel.spans import Span

RULE = "seal-over-this-record"
OTHER = sealed_layout(rollback=8)
"""The layout of a later version, whose record is another."""


def moved(*keys: PrivateKey) -> SparseBytes:
    """The image with the seal that ``keys`` made for the later version."""
    return with_seal_of(unsealed(), sealed(*keys, read=OTHER))


def flipped(image: SparseBytes, place: int, bits: int = 1) -> SparseBytes:
    """``image`` with these bits of a byte of its seal flipped."""
    byte = image.read(Span(SEAL, 0x1000), 0xFF)[place]
    return changed(image, {SEAL + place: bytes((byte ^ bits,))})


def scrambled(image: SparseBytes, place: int = 90) -> SparseBytes:
    """``image`` with 16 bytes of its seal replaced."""
    return changed(image, {SEAL + place: bytes(range(16))})


def changed_record(*keys: PrivateKey) -> SparseBytes:
    """A sealed image whose record was changed afterwards, with a right CRC of its own."""
    return with_record(sealed(*keys), rollback=9)


def _without_record() -> ReadLayout:
    """The layout where no seal is required, without ``[record]``: what an image holds there is nobody's then."""
    record = '[record]\narea = "record"\nvendor = "harbour.example"\nclass = "small device"\n'
    text = layout_text({**ROOM, record: ""}, '\n[seal]\narea = "seal"\nrequired = false\n')
    return read_layout(text.encode(), "small.toml", [seal_faults])


BREAKS = {
    "moved from another image": lambda: of(RULE, moved(OLD)),
    "moved from the previous image": lambda: of(
        RULE, moved(OLD), previous=previous(sealed(OLD, read=OTHER), read=OTHER)
    ),
    "moved, RSA": lambda: of(RULE, moved(RSA), [RSA]),
    "moved, two signers": lambda: of(RULE, moved(OLD, P256), [OLD, P256]),
    "one bit of an Ed25519 signature": lambda: of(RULE, flipped(sealed(OLD), 100)),
    "one bit of an ECDSA signature": lambda: of(RULE, flipped(sealed(P256), 144, 0x80), [P256]),
    "one bit of an RSA signature": lambda: of(RULE, flipped(sealed(RSA), 200), [RSA]),
    "many bits of one of two": lambda: of(RULE, scrambled(sealed(OLD, P256)), [OLD, P256]),
    "many bits": lambda: of(RULE, scrambled(sealed(OLD))),
    "many bits, beside the previous image": lambda: of(
        RULE, scrambled(sealed(OLD)), previous=previous(sealed(OLD, read=OTHER), read=OTHER)
    ),
    "one bit of an ML-DSA signature": lambda: of(RULE, flipped(sealed(ML_DSA), 1000), [ML_DSA]),
    "the record changed, its CRC mended": lambda: of(RULE, changed_record(OLD)),
    "the record damaged": lambda: of(RULE, changed(sealed(OLD), {RECORD + 40: b"\0"})),
    "where no seal is required": lambda: of(RULE, moved(OLD), [OLD], OPTIONAL),
    "a layout without a record": lambda: of(RULE, sealed(OLD), [OLD], _without_record()),
}

KEEPS = {
    "a sealed image": lambda: of(RULE, sealed(OLD)),
    "every kind of key": lambda: of(RULE, sealed(OLD, RSA, ML_DSA), [OLD, RSA, ML_DSA]),
    "of the other kinds": lambda: of(RULE, sealed(P256, NEW), [P256, NEW]),
    "a stranger next to a trusted key": lambda: of(RULE, sealed(OLD, STRANGER)),
}


def reasons(result: RuleResult) -> list[str]:
    """What the findings say of why."""
    return [finding.found.partition(": ")[2] for finding in findings(result)]


def test_a_moved_seal_is_told_from_a_damaged_one_where_that_can_be_told() -> None:
    """RSA tells by its padding; others by a flipped bit, the previous image or signers next to them."""
    unknown = "it is damaged, or was made over another record: that cannot be known"
    told = {name: reasons(make()) for name, make in BREAKS.items()}
    assert told["moved from another image"] == [unknown]
    assert told["many bits"] == [unknown]
    assert told["moved, two signers"] == [unknown] * 2
    assert told["moved from the previous image"] == [
        "it was made over the record of another image, of older.hex"
    ]
    assert told["moved, RSA"] == ["this key made it, over other bytes than this record"]
    assert told["one bit of an Ed25519 signature"] == ["it is damaged: a single bit of it is flipped"]
    assert told["one bit of an ECDSA signature"] == ["it is damaged: a single bit of it is flipped"]
    assert told["one bit of an RSA signature"] == [
        "it is damaged: opened with the key it has not the form of a signature"
    ]
    assert told["many bits of one of two"] == [
        "it is damaged, or was added to others that hold over this record"
    ]


def test_what_cannot_be_looked_at_is_not_checked() -> None:
    """No trusted key, no seal, only strangers: each with its reason, and each found by another rule."""
    for image, trusted, reason in (
        (sealed(OLD), [], "needs a trusted key: --trust PUBKEY"),
        (unsealed(), [OLD], "there is no seal"),
        (sealed(STRANGER), [OLD], "no signer has a trusted key of its algorithm"),
    ):
        result = of(RULE, image, trusted)
        assert findings(result) == []
        missing = (*result.not_checked, *result.not_applicable)
        assert [each.reason for each in missing] == [reason]
