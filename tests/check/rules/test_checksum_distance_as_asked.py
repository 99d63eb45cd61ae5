"""``checksum-distance-as-asked``: CRCs over more bytes than they protect at the distance asked for."""

from __future__ import annotations

import pytest
from gauge_rules import on_the_gauge
from small_device import apply, builds, findings, joined, layout

from gemel.checking.runner import RuleResult
from gemel.image.sparse import SparseBytes
from gemel.layout.reader import ReadLayout

RULE = "checksum-distance-as-asked"
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
    "CRC-32 over more than it protects at 4": lambda: _of('"CRC-32/ISO-HDLC"', 4, _bytes(16384), "256 KiB"),
    "CRC-32 at 5": lambda: _of('"CRC-32/ISO-HDLC"', 5),
    "16 bits at 4 over 32 KiB": lambda: _of('"CRC-16/XMODEM"', 4, _bytes(32768), "256 KiB"),
    "16 bits with an odd number of errors to spare": lambda: _of('"CRC-16/DNP"', 5),
    "8 bits at 3": lambda: _of('"CRC-8/SMBUS"', 3),
    "more than any CRC has at 6": lambda: _of('"CRC-32/ISCSI"', 6, _bytes(65536), "256 KiB"),
    "a polynomial by its parameters": lambda: _of(
        "{ width = 32, poly = 0x04C1_1DB7, init = 1, refin = false, refout = false, xorout = 0 }", 6
    ),
}

KEEPS = {
    **on_the_gauge(RULE, alone=True),
    "CRC-32 at 4 over what it protects": lambda: _of('"CRC-32/ISO-HDLC"', 4, _bytes(11450 + 4)),
    "CRC-32 over more, at the distance it has": lambda: _of(
        '"CRC-32/ISO-HDLC"', 3, _bytes(131072), "256 KiB"
    ),
    "the mirror image of a polynomial": lambda: _of(
        "{ width = 32, poly = 0xDB71_0641, init = 0, refin = false, refout = false, xorout = 0 }", 4
    ),
}


def test_the_bound_is_exact() -> None:
    """CRC-32 has distance 4 over 91,607 bits and one byte more is told."""
    assert _of('"CRC-32/ISO-HDLC"', 4, _bytes(11450 + 4)).status == "holds"
    (finding,) = findings(_of('"CRC-32/ISO-HDLC"', 4, _bytes(11451 + 4)))
    assert finding.lines[0] == "this CRC has distance 4 over at most 11,450 bytes"


@pytest.mark.parametrize(
    ("case", "ways"),
    [
        (
            "CRC-32 over more than it protects at 4",
            ["over at most 11,450 bytes", " has distance 4 over 16,380 bytes", "hamming_distance = 3"],
        ),
        ("8 bits at 3", ["over at most 14 bytes", "CRC-16/", "hamming_distance = 2"]),
        ("more than any CRC has at 6", ["over at most 655 bytes", "split the range", "hamming_distance = 4"]),
        (
            "16 bits with an odd number of errors to spare",
            ["over at most 16 bytes", "CRC-", "hamming_distance = 2"],
        ),
    ],
)
def test_the_ways_out_are_told(case: str, ways: list[str]) -> None:
    """A finding says how far the CRC reaches, which would do better, and what the layout may say instead."""
    (finding,) = findings(BREAKS[case]())
    missing = [words for words, line in zip(ways, finding.lines, strict=True) if words not in line]
    assert missing == [], finding.lines


def test_a_distance_that_a_polynomial_never_has() -> None:
    """The 16-bit polynomial 0x1021 has distance 6 over no length, and that is said."""
    (finding,) = findings(_of('"CRC-16/XMODEM"', 6))
    assert finding.lines[0] == "this CRC has distance 6 over no length"


@pytest.mark.parametrize(
    ("algorithm", "reason"),
    [
        ('"sum-32-of-bytes"', "sum-32-of-bytes is no CRC"),
        ('"xor-32"', "xor-32 is no CRC"),
        (
            "{ width = 20, poly = 0x8359F, init = 0, refin = false, refout = false, xorout = 0 }",
            "no bound is known for the polynomial of",
        ),
    ],
)
def test_what_is_not_known_is_not_checked(algorithm: str, reason: str) -> None:
    """Sums, and polynomials whose bounds nobody recomputed, are not checked and say why."""
    result = _of(algorithm, 4)
    assert result.status == "not checked"
    assert [missing.reason.startswith(reason) for missing in result.not_checked] == [True]


def test_where_a_build_ends_must_be_known() -> None:
    """Over a build whose end nothing tells, the number of covered bytes is not known either."""
    read = layout({OVER: 'over = [{ build = "sampler" }]\nhamming_distance = 2', RECORD_TABLE: ""})
    result = apply(RULE, read, joined(read).image, {})
    assert [missing.reason for missing in result.not_checked] == [
        "where build sampler ends: needs sampler=FILE, or an image with a sound record"
    ]
    assert apply(RULE, read, joined(read).image, builds()).status == "holds"


def test_it_warns() -> None:
    """A CRC beyond its reach still finds nearly everything, so the image is not refused."""
    assert BREAKS["CRC-32 at 5"]().severity == "warning"
