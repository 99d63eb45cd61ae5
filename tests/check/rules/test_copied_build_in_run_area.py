"""``copied-build-in-run-area``: size, place and shape of a build that the primary copies to RAM."""

from __future__ import annotations

import layout_edits as edits
from elf_writer import SegmentSpec
from gauge_builds import gauge, gauge_builds
from image_edits import holding
from small_device import (
    RAM_OF_SAMPLER,
    SAMPLER,
    STATION,
    apply,
    builds,
    findings,
    joined,
    layout,
    sampler_elf,
)

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.joining.pipeline import join

RULE = "copied-build-in-run-area"
RUN = RAM_OF_SAMPLER + 0x3400
COPIED = layout(edits.COPIED)
NO_RECORD = layout(edits.COPIED | edits.NO_RECORD)
MOVED_AREA = layout(
    {**edits.COPIED, 'offset = "13 KiB", size = "3 KiB"': 'offset = "14 KiB", size = "2 KiB"'}
)
SMALL_AREA = layout({**edits.COPIED, 'offset = "13 KiB", size = "3 KiB"': 'offset = "13 KiB", size = 256'})
SOUND = sampler_elf(base=SAMPLER, run=RUN)
IMAGE = joined(COPIED, builds(sampler=SOUND)).image
SIZE = 0x124
"""Bytes of the sampler: vectors, code and build id note; padded to 0x128."""


def _sampler(*extra, read=COPIED, **options):
    return apply(RULE, read, IMAGE, builds(sampler=sampler_elf(extra=extra, **options)))


def _raw(start, read=COPIED):
    raw = read_build(
        BytesSource(b"\1" * 64, "sampler.bin"), name="sampler", file="sampler.bin", raw_start=start
    )
    return apply(RULE, read, IMAGE, {"sampler": raw})


BREAKS = {
    "linked before the area": lambda: _sampler(base=SAMPLER, run=RUN - 4),
    "linked over the area's end": lambda: _sampler(base=SAMPLER, run=RUN + 0xC00 - SIZE + 4),
    "padding over the area's end": lambda: _sampler(base=SAMPLER, run=RUN + 0xC00 - SIZE),
    "linked to run where it is stored": lambda: _sampler(base=SAMPLER),
    "linked at the address that the station sees": lambda: _sampler(base=SAMPLER, run=0x2000_3400),
    "larger than the area": lambda: _sampler(base=SAMPLER, run=RUN, code=bytes(range(1, 256)) * 12),
    "segments that run apart": lambda: _sampler(
        SegmentSpec(SAMPLER + 0x200, b"data", run_address=RUN + 0x300), base=SAMPLER, run=RUN
    ),
    "an area that was moved, seen in the record": lambda: apply(RULE, MOVED_AREA, IMAGE, {}),
    "an area too small, seen in the record": lambda: apply(RULE, SMALL_AREA, IMAGE, {}),
    "an area too small, seen in the image's bytes": lambda: apply(
        RULE, SMALL_AREA, holding({SAMPLER: b"\1" * 0x200}), {}
    ),
    "the tide gauge in place, although it is to be copied": lambda: apply(
        RULE,
        gauge("copied"),
        join(gauge("copied"), gauge_builds("copied")).image,
        gauge_builds("in-place"),
    ),
}

KEEPS = {
    "linked for the area": lambda: _sampler(base=SAMPLER, run=RUN),
    "the image alone, with its record": lambda: apply(RULE, COPIED, IMAGE, {}),
    "stored for the RAM it runs in": lambda: _sampler(base=RUN),
    "a raw binary stored for the RAM it runs in": lambda: _raw(RUN),
    "up to the area's end with its padding": lambda: _sampler(base=SAMPLER, run=RUN + 0xC00 - SIZE - 4),
    "two segments that move as one": lambda: _sampler(
        SegmentSpec(SAMPLER + 0x200, b"data", run_address=RUN + 0x200), base=SAMPLER, run=RUN
    ),
    "the tide gauge, copied": lambda: apply(
        RULE,
        gauge("copied"),
        join(gauge("copied"), gauge_builds("copied")).image,
        gauge_builds("copied"),
    ),
}


def test_each_case_has_one_finding() -> None:
    """One fault is one finding: a build linked elsewhere is not told that its padding is elsewhere too."""
    for case, make in BREAKS.items():
        assert len(findings(make())) == 1, case


def test_the_padded_size_counts() -> None:
    """The primary copies whole write units, so padding must fit too."""
    (finding,) = findings(BREAKS["padding over the area's end"]())
    assert "296 bytes" in finding.found


def test_without_a_copied_build_there_is_nothing_to_check() -> None:
    """A layout whose builds run in place leaves the rule unchecked."""
    result = apply(RULE)
    assert result.not_applicable[0].reason == "no build of the layout is copied to RAM (runs_in)"


def test_what_a_raw_binary_does_not_tell() -> None:
    """A binary stored in flash tells its size and not its run address."""
    result = _raw(SAMPLER)
    assert result.not_checked[0].reason.endswith("needs its ELF file")


def test_bytes_alone_tell_the_size_and_no_more() -> None:
    """Without build and record only the size is seen, and the reason says so."""
    result = apply(RULE, NO_RECORD, joined(NO_RECORD, builds(sampler=SOUND)).image, {})
    assert "would fit, but where it runs is not known" in result.not_checked[0].reason


def test_an_image_without_the_build_is_not_checked() -> None:
    """Where nothing of the build is found there is no size either."""
    result = apply(RULE, COPIED, holding({STATION: b"\1"}), {})
    assert result.not_checked[0].reason == "nothing of the build was found in the image"
