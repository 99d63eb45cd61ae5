"""Sealed images of the small device for tests of the seal's rules; the keys are published ones.

The seal's area is 4 KiB, so that an ML-DSA signature fits; otherwise the device is ``small_device``'s.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

from image_edits import changed
from seal_keys import key_for, other_key
from small_device import apply, joined, layout_text

from gemel.checking.runner import RuleResult
from gemel.image.sparse import SparseBytes
from gemel.inspection.previous import Previous, previous_of
from gemel.layout.reader import ReadLayout, read_layout
from gemel.seals.demands import seal_faults
from gemel.seals.keys.keys import PrivateKey
from gemel.seals.seal import make_seal
from gemel.seals.sealing import put_seal, record_bytes, signatures_by

SEAL = 0x1000_3000
ROOM = {
    'seal = { memory = "flash", offset = "11 KiB", size = "1 KiB"': (
        'seal = { memory = "flash", offset = "12 KiB", size = "4 KiB"'
    )
}
OLD, NEW, STRANGER = key_for("Ed25519"), other_key(2), other_key(9)
P256, P384, RSA, ML_DSA = (
    key_for(name) for name in ("ECDSA-P256", "ECDSA-P384", "RSA-3072-PSS", "ML-DSA-65")
)


@cache
def sealed_layout(
    keys: str = "required = true\n", rollback: int = 7, product: str = "small-device"
) -> ReadLayout:
    """The small device with ``[seal]`` and these ``keys`` in it, checked as commands do."""
    replace = {**ROOM, "rollback = 7": f"rollback = {rollback}", "small-device": product}
    text = layout_text(replace, f'\n[seal]\narea = "seal"\n{keys}')
    return read_layout(text.encode(), "small.toml", [seal_faults])


REQUIRED = sealed_layout()
OPTIONAL = sealed_layout("required = false\n")


def unsealed(read: ReadLayout = REQUIRED) -> SparseBytes:
    """The joined image, without a seal."""
    return joined(read).image


def sealed(
    *signers: PrivateKey, read: ReadLayout = REQUIRED, image: SparseBytes | None = None
) -> SparseBytes:
    """The joined image (or a copy of ``image``) sealed by ``signers``; nothing checks the layout's policy."""
    result = joined(read).image if image is None else image.copy()
    record = record_bytes(read.layout, result)
    put_seal(read.layout, result, make_seal(record, signatures_by(record, signers)))
    return result


def with_seal_of(image: SparseBytes, other: SparseBytes, read: ReadLayout = REQUIRED) -> SparseBytes:
    """``image`` with the bytes of the seal's area of ``other``."""
    span = read.layout.span_of("seal")
    return changed(image, {span.start: other.read(span, 0xFF)})


def cut_away(image: SparseBytes, byte: int = 0xFF, read: ReadLayout = REQUIRED) -> SparseBytes:
    """``image`` with every byte of the seal's area set to ``byte``."""
    span = read.layout.span_of("seal")
    return changed(image, {span.start: bytes((byte,)) * span.size})


def previous(image: SparseBytes, name: str = "older.hex", read: ReadLayout = REQUIRED) -> Previous:
    """The record of an older image."""
    return previous_of(read.layout, image, name)


def of(
    rule: str,
    image: SparseBytes,
    trusted: Iterable[PrivateKey] = (OLD,),
    read: ReadLayout = REQUIRED,
    **options: object,
) -> RuleResult:
    """What a rule says of an image, without builds, by one who trusts these keys."""
    keys = tuple(key.public_key for key in trusted)
    return apply(rule, read, image, {}, trusted=keys, **options)
