"""``file-headers-not-stored``: ELF headers in the first segment, seen in the build or in the image."""

from __future__ import annotations

from elf_writer import SegmentSpec, elf
from gauge_builds import gauge, gauge_builds
from image_edits import changed, holding
from small_device import SAMPLER, STATION, apply, builds, findings, joined, sampler_elf

from gemel.spans import Span

RULE = "file-headers-not-stored"
WITH_HEADERS = elf([SegmentSpec(SAMPLER, bytes(0x54), offset=0), SegmentSpec(SAMPLER + 0x400, b"\1" * 64)])
"""A build whose first segment begins at offset 0 of the file, as page-aligned links make it."""
HEADER_IN_IMAGE = {SAMPLER: b"\x7fELF\1\1\1" + bytes(45)}

BREAKS = {
    "headers in the first segment": lambda: apply(
        RULE, image=joined().image, handed=builds(sampler=WITH_HEADERS)
    ),
    "headers in a later segment": lambda: apply(
        RULE,
        image=joined().image,
        handed=builds(sampler=sampler_elf(extra=(SegmentSpec(SAMPLER + 0x800, b"\x7fELF"),))),
    ),
    "the image alone": lambda: apply(RULE, image=changed(joined().image, HEADER_IN_IMAGE), handed={}),
}

KEEPS = {
    "both builds": lambda: apply(RULE),
    "the image alone": lambda: apply(RULE, handed={}),
    "the tide gauge": lambda: apply(RULE, gauge(), joined().image, gauge_builds()),
}


def test_the_finding_covers_the_header() -> None:
    """The span is that of a 32-bit ELF header (52 bytes, gABI), or what there is of it."""
    (whole,) = findings(BREAKS["headers in the first segment"]())
    (cut,) = findings(BREAKS["headers in a later segment"]())
    assert whole.span == Span(SAMPLER, 52)
    assert cut.span == Span(SAMPLER + 0x800, 4)


def test_an_image_without_the_build_is_not_checked() -> None:
    """Where nothing of a build is found, nothing is said of its headers."""
    result = apply(RULE, image=holding({STATION: b"\1" * 64}), handed={})
    assert [held.where for held in result.holds] == ["build station"]
    assert [each.where for each in result.not_checked] == ["build sampler"]
