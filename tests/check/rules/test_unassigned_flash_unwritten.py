"""``unassigned-flash-unwritten``: erased bytes that a file names where nothing is."""

from __future__ import annotations

from image_edits import changed
from small_device import FLASH, apply, joined, layout

from gemel.checking.runner import RuleResult

RULE = "unassigned-flash-unwritten"
BEHIND = FLASH + 0x3000


def over(address: int, data: bytes, **options: object) -> RuleResult:
    """What the rule says of the sound image with these bytes there too."""
    return apply(RULE, image=changed(joined().image, {address: data}), handed={}, **options)


BREAKS = {
    "one erased byte": lambda: over(BEHIND, b"\xff"),
    "erased bytes to the end of the flash": lambda: over(BEHIND, b"\xff" * 0x1000),
}

STAMP = '\n[[stamp]]\nname = "far"\nat = 0x1000_3002\nwidth = 2\nvalue = 0x1234\n'

KEEPS = {
    "nothing there": lambda: apply(RULE, handed={}),
    "erased bytes inside an area": lambda: over(FLASH + 0x800, b"\xff" * 16),
    "other bytes, which another rule finds": lambda: over(BEHIND, b"\0"),
    "the write unit of a stamp": lambda: apply(RULE, layout(add=STAMP), handed={}),
}


def test_a_raw_binary_is_not_looked_at() -> None:
    """It holds every byte, and cannot do otherwise."""
    result = over(BEHIND, b"\xff" * 16, leaves_bytes_out=False)
    assert (result.status, result.findings) == ("not checked", ())
