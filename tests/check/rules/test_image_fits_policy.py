"""``image-fits-policy``: an image whose record is not what the receiver demands."""

from __future__ import annotations

from image_edits import changed
from small_device import RECORD, apply, joined, layout

from gemel.policy.reader import read_policy
from gemel.policy.receiver import Receiver

RULE = "image-fits-policy"


def under(text: str, image=None):  # type: ignore[no-untyped-def]
    """What the rule says under a policy with these keys."""
    policy = read_policy(f"format = 1\n{text}".encode(), "own.toml")
    return apply(RULE, image=image, handed={}, receiver=Receiver(policy=policy))


SOUND = (
    'product = "small-device"\nvendor = "harbour.example"\nclass = "small device"\nrollback_at_least = 7\n'
)

BREAKS = {
    "another product": lambda: under('product = "large-device"'),
    "another vendor": lambda: under('vendor = "quay.example"'),
    "another class": lambda: under('vendor = "harbour.example"\nclass = "large device"'),
    "another layout": lambda: under(f'layout_sha256 = ["{"0" * 64}"]'),
    "an older version": lambda: under("rollback_at_least = 8"),
    "no sound record": lambda: under(SOUND, changed(joined().image, {RECORD: b"\0"})),
}

KEEPS = {
    "everything as demanded": lambda: under(SOUND),
    "ids as UUIDs": lambda: under(
        f'vendor = "{joined().record.vendor_id}"\nclass = "{joined().record.class_id}"'  # type: ignore[union-attr]
    ),
    "one of several layouts": lambda: under(
        f'layout_sha256 = ["{"0" * 64}", "{layout().digest.hex()}"]',
    ),
    "exactly the lowest counter": lambda: under("rollback_at_least = 7"),
}


def test_every_difference_is_told() -> None:
    """A policy that the image misses in everything has a finding for each thing."""
    text = 'product = "a"\nvendor = "b.example"\nclass = "c"\nrollback_at_least = 9\n'
    assert len(under(f'{text}layout_sha256 = ["{"1" * 64}"]').findings) == 5
