"""``image-fits-policy``: an image whose record is not what the receiver demands."""

from __future__ import annotations

from image_edits import changed
from layout_edits import NO_RECORD
from small_device import RECORD, apply, findings, joined, layout

from gemel.policy.reader import Receiver, read_policy

RULE = "image-fits-policy"


def under(text: str, image=None, read=None):  # type: ignore[no-untyped-def]
    """What the rule says under a policy with these keys."""
    policy = read_policy(f"format = 1\n{text}".encode(), "own.toml")
    return apply(RULE, read, image, {}, receiver=Receiver(policy=policy))


SOUND = (
    'product = "small-device"\nvendor = "harbour.example"\nclass = "small device"\nrollback_at_least = 7\n'
)

BREAKS = {
    "another product": lambda: under('product = "large-device"'),
    "another vendor": lambda: under('vendor = "quay.example"'),
    "another class": lambda: under('vendor = "harbour.example"\nclass = "large device"'),
    "another layout": lambda: under(f'layout_sha256 = ["{"0" * 64}"]'),
    "an older version": lambda: under("rollback_at_least = 8"),
    "a layout without a record": lambda: under('product = "small-device"', joined().image, layout(NO_RECORD)),
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


def test_every_difference_is_reported() -> None:
    """An image for another product has another vendor, class and layout too; that it is older is said besides."""
    text = 'product = "a"\nvendor = "b.example"\nclass = "c"\nrollback_at_least = 9\n'
    product, counter = findings(under(f'{text}layout_sha256 = ["{"1" * 64}"]'))
    assert "product" in product.what
    assert [line.partition("image's ")[2].partition(" is")[0] for line in product.lines] == [
        "vendor id",
        "class id",
        "layout",
    ]
    assert counter.what.endswith("its rollback counter is lower")


def test_a_class_is_shown_as_it_is_written() -> None:
    """The id is made from a text: the finding has both."""
    (finding,) = findings(BREAKS["another class"]())
    assert '("large device")' in finding.expected
