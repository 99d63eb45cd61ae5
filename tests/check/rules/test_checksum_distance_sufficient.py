"""``checksum-distance-sufficient``: CRCs over more bytes than they usually protect, nothing asked for."""

from __future__ import annotations

from small_device import apply, findings, layout

from gemel.checking.runner import RuleResult
from gemel.image.sparse import SparseBytes
from gemel.layout.reader import ReadLayout

RULE = "checksum-distance-sufficient"
OVER = 'over = [{ area = "station-code", offset = 0, size = 0xFFC }]'
RECORD_TABLE = '[record]\narea = "record"\nvendor = "harbour.example"\nclass = "small device"\n'


def _with(algorithm: str, distance: int | None = None, over: str = OVER, size: str = "16 KiB") -> ReadLayout:
    stated = f"\nhamming_distance = {distance}" if distance else ""
    return layout(
        {
            '"CRC-32/ISO-HDLC"': algorithm,
            OVER: over + stated,
            'size = "16 KiB"\nerase_block': f'size = "{size}"\nerase_block',
        }
    )


def _of(*args, **options) -> RuleResult:
    return apply(RULE, _with(*args, **options), SparseBytes(), {})


def _bytes(size: int) -> str:
    """A range of that many bytes from the start of flash on, less the checksum's own place."""
    return (
        f"over = [{{ start = 0x1000_0000, size = {size} }}]\nexcept = [{{ start = 0x1000_0FFC, size = 4 }}]"
    )


BREAKS = {
    "CRC-32 over more than it protects at 4": lambda: _of(
        '"CRC-32/ISO-HDLC"', None, _bytes(16384), "256 KiB"
    ),
}

KEEPS = {
    "a join": lambda: apply(RULE),
    "CRC-32 at 4 over what it protects": lambda: _of('"CRC-32/ISO-HDLC"', None, _bytes(11450 + 4)),
    "16 bits, nothing asked for": lambda: _of('"CRC-16/XMODEM"', None, _bytes(131072), "256 KiB"),
}


def test_what_the_layout_asks_for_is_left_to_the_other_rule() -> None:
    """Where the layout states a distance, checksum-distance-as-asked looks at it."""
    result = _of('"CRC-32/ISO-HDLC"', 5)
    assert result.status == "does not apply"


def test_it_is_a_note() -> None:
    """Nobody asked for a distance, so that it is worth knowing and no more."""
    assert BREAKS["CRC-32 over more than it protects at 4"]().severity == "note"
    (finding,) = findings(BREAKS["CRC-32 over more than it protects at 4"]())
    assert finding.lines[-1] == "or hamming_distance = 3 in the layout, if that is enough"
