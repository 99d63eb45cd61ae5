"""``build-demands-understood``: tags below 64 that nobody knows stop the check of demands."""

from __future__ import annotations

from capability_builds import applied
from elf_writer import (
    SegmentSpec,
    attributes_scope,
    elf,
    uleb128,
    vendor_part,
)
from gauge_rules import on_the_gauge
from small_device import SAMPLER, STATION, apply, findings, joined
from small_device import build as build_of

RULE = "build-demands-understood"
IMAGE = joined().image
MAINLINE = {6: 17}


def _apply(attributes):
    handed = {
        name: build_of(name, elf([SegmentSpec(start, b"\1" * 64)], attributes=values))
        for name, start, values in (("station", STATION, attributes), ("sampler", SAMPLER, MAINLINE))
    }
    return apply(RULE, image=IMAGE, handed=handed)


def _compatibility(flag: int, vendor: str) -> bytes:
    """A section with Tag_compatibility, which holds a number and a text."""
    scope = bytearray(attributes_scope(1, MAINLINE))
    extra = uleb128(32) + uleb128(flag) + vendor.encode() + b"\0"
    size = int.from_bytes(scope[1:5], "little") + len(extra)
    return b"A" + vendor_part("aeabi", scope[:1] + size.to_bytes(4, "little") + scope[5:] + extra)


BREAKS = {
    "an unknown number": lambda: _apply(MAINLINE | {60: 3}),
    "an unknown text": lambda: _apply(MAINLINE | {61: "something"}),
    "an unknown tag, 128 higher": lambda: _apply(MAINLINE | {128 + 58: 1}),
    "two of them": lambda: _apply(MAINLINE | {40: 1, 62: 1}),
    "an arrangement outside the standard": lambda: _apply(_compatibility(2, "a toolchain of ours")),
}

KEEPS = {
    "real builds": lambda: applied(RULE),
    "a tag that may be ignored": lambda: _apply(MAINLINE | {100: 1}),
    "an arrangement within the standard": lambda: _apply(_compatibility(1, "a toolchain of ours")),
    **on_the_gauge(RULE),
}


def test_each_unknown_tag_is_named() -> None:
    """Every tag has its finding with number and value."""
    found = [finding.found for finding in findings(BREAKS["two of them"]())]
    assert found == ["tag 40 with the value 1", "tag 62 with the value 1"]


def test_without_attributes_nothing_is_said() -> None:
    """Missing attributes are a reason, no demand and no absence of demands."""
    result = apply(RULE, image=IMAGE, handed={})
    assert (result.holds, len(result.not_checked)) == ((), 2)
