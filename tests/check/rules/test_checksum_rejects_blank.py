"""``checksum-rejects-blank``: algorithms that call a device sound that was never programmed."""

from __future__ import annotations

import pytest
from gauge_rules import on_the_gauge
from small_device import apply, builds, findings, joined, layout

from gemel.checking.runner import RuleResult
from gemel.image.sparse import SparseBytes
from gemel.layout.reader import ReadLayout

RULE = "checksum-rejects-blank"
OVER = 'over = [{ area = "station-code", offset = 0, size = 0xFFC }]'
RECORD_TABLE = '[record]\narea = "record"\nvendor = "harbour.example"\nclass = "small device"\n'


def _with(algorithm: str, over: str = OVER, erased: int = 0xFF, more: str = "") -> ReadLayout:
    return layout(
        {
            '"CRC-32/ISO-HDLC"': algorithm,
            OVER: over + ("\n" + more if more else ""),
            "write_unit = 8\n": f"write_unit = 8\nerased_byte = {erased:#x}\n",
        }
    )


def _of(*args, **options) -> RuleResult:
    read = _with(*args, **options)
    return apply(RULE, read, handed={}, image=SparseBytes())


BREAKS = {
    "a CRC that starts with zero, over zeros": lambda: _of('"CRC-16/XMODEM"'),
    "a sum, over zeros": lambda: _of('"sum-32-of-bytes"'),
    "an exclusive-or, erased and over zeros": lambda: _of(
        '"xor-8"', 'over = [{ area = "station-code", offset = 0, size = 0xFFB }]'
    ),
    "erased bytes of zero": lambda: _of('"CRC-16/XMODEM"', erased=0x00),
    "a checksum over a build": lambda: apply(
        RULE, _with('"CRC-16/XMODEM"', 'over = [{ build = "sampler" }]'), handed={}
    ),
}

KEEPS = {
    "CRC-32": lambda: _of('"CRC-32/ISO-HDLC"'),
    "CRC-32, erased bytes of zero": lambda: _of('"CRC-32/ISO-HDLC"', erased=0x00),
    "an inverted sum": lambda: _of('"inverted-sum-32"'),
    "a word feed": lambda: _of('"CRC-32/MPEG-2"', more='feed = "word"'),
    "a checksum over a build": lambda: apply(
        RULE, _with('"CRC-32/ISO-HDLC"', 'over = [{ build = "sampler" }]'), handed={}
    ),
    **on_the_gauge(RULE, alone=True),
}


def test_both_states_are_told() -> None:
    """The exclusive-or of an odd number of equal bytes is that byte: erased and zeroed flash both verify."""
    found = [finding.what for finding in findings(BREAKS["an exclusive-or, erased and over zeros"]())]
    assert found == [
        "checksum station-crc is right over flash that is all zero",
        "checksum station-crc is right over flash that is erased",
    ]


def test_it_warns() -> None:
    """Boot code may demand more than the checksum, so the image is not refused."""
    assert BREAKS["a sum, over zeros"]().severity == "warning"


def test_where_a_build_ends_must_be_known() -> None:
    """Over a build whose end nothing tells, the rule is not checked."""
    read = layout({OVER: 'over = [{ build = "sampler" }]', RECORD_TABLE: ""})
    result = apply(RULE, read, joined(read).image, {})
    assert [missing.reason for missing in result.not_checked] == [
        "where build sampler ends: needs sampler=FILE, or an image with a sound record"
    ]
    assert apply(RULE, read, joined(read).image, builds()).status == "holds"


@pytest.mark.parametrize("handed", [builds(), {}])
def test_a_build_that_does_not_come_out_even(handed) -> None:
    """A sum of words over a build of an odd length cannot be computed, which is said and not passed over."""
    read = layout(
        {
            '"CRC-32/ISO-HDLC"': '"sum-32"',
            OVER: 'over = [{ build = "sampler" }]\nexcept = [{ start = 0x1000_1000, size = 1 }]',
        }
    )
    image = joined().image
    result = apply(RULE, read, image, handed)
    assert result.status == "not checked"
    assert ["station-crc" in missing.where for missing in result.not_checked] == [True]
