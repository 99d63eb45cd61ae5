"""Tests of the rule ``stack-limit-below-stack``."""

from __future__ import annotations

import pytest
from image_edits import changed
from small_device import findings
from verdict_builds import of

RULE = "stack-limit-below-stack"
BREAKS = {
    "above the pointer": lambda: of(RULE, "v8", "sampler-limit-above"),
    "in another core's RAM": lambda: of(RULE, "v8", "sampler-limit-elsewhere"),
}
KEEPS = {
    "by GCC": lambda: of(RULE, "v8", "sampler-limit"),
    "by clang": lambda: of(RULE, "v8", "sampler-limit-clang"),
}


def test_limit_and_pointer_are_told() -> None:
    """The finding gives the limit found and the initial stack pointer."""
    (finding,) = findings(BREAKS["above the pointer"]())
    assert finding.found == "0x2000_4000"
    assert "initial stack pointer 0x2000_4000" in finding.expected


@pytest.mark.parametrize(
    ("above", "where"),
    [
        (40, None),
        (32, None),
        (24, "24 bytes below the initial stack pointer"),
        (8, "8 bytes below the initial stack pointer"),
        (0, "at the initial stack pointer"),
        (-8, "above the initial stack pointer"),
    ],
)
def test_an_exception_s_frame_is_left_above_the_limit(above: int, where: str | None) -> None:
    """The stack pointer of the image as many bytes above the limit, which code sets to 0x2000_3C00."""
    pointer = (0x2000_3C00 + above).to_bytes(4, "little")
    found = findings(
        of(RULE, "v8", "sampler-limit", edit=lambda image: changed(image, {0x1000_8000: pointer}))
    )
    assert [each.what for each in found] == (
        [f"code of build sampler sets the limit of its main stack {where}"] if where else []
    )
