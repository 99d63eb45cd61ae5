"""A layout's checksums: bytes over an image with holes, sizes, and faults of their declaration."""

from __future__ import annotations

import struct
import zlib
from typing import Any

import pytest
from image_edits import holding
from small_device import STATION, layout, layout_text

from gemel.checksums.in_layout import checksum_bytes, checksum_faults, checksum_size
from gemel.errors import LayoutError, Problem
from gemel.layout.model import Checksum
from gemel.layout.reader import read_layout
from gemel.spans import Span

OVER = 'over = [{ area = "station-code", offset = 0, size = 0xFFC }]'
ALGORITHM = '"CRC-32/ISO-HDLC"'
CODE = bytes(range(64))


def _checksum(**values: Any) -> Checksum:
    defaults = {"name": "c", "algorithm": "CRC-32/ISO-HDLC", "over": ("station-code",), "at": 0x1000_1800}
    return Checksum(**(defaults | values))


def _bytes(spans: list[Span], **values: Any) -> bytes | Problem:
    return checksum_bytes(layout().layout, holding({STATION: CODE}), _checksum(**values), spans)


def test_bytes_over_spans_and_holes() -> None:
    """The value is over the spans one after another, unwritten bytes as erased (`zlib.crc32` recomputes)."""
    expected = zlib.crc32(CODE[32:] + b"\xff" * 8 + CODE[:4])
    spans = [Span(STATION + 32, 40), Span(STATION, 4)]
    assert _bytes(spans) == struct.pack("<I", expected)
    assert _bytes(spans, byte_order="big") == struct.pack(">I", expected)


def test_word_feed() -> None:
    """Word feed takes each word most significant byte first (common practice of CRC units of 32 bits)."""
    swapped = b"".join(CODE[at : at + 4][::-1] for at in range(0, 64, 4))
    assert _bytes([Span(STATION, 64)], feed="word") == struct.pack("<I", zlib.crc32(swapped))


@pytest.mark.parametrize(
    ("algorithm", "size"),
    [("CRC-8/SMBUS", 1), ("CRC-12/DECT", 2), ("CRC-24/OPENPGP", 3), ("sum-64-of-words", 8)],
)
def test_sizes(algorithm: str, size: int) -> None:
    """A checksum takes whole bytes, as many as its width needs."""
    assert checksum_size(_checksum(algorithm=algorithm)) == size
    made = _bytes([Span(STATION, 64)], algorithm=algorithm)
    assert isinstance(made, bytes)
    assert len(made) == size


def test_what_does_not_come_out_even() -> None:
    """Bytes that are no whole words are a problem that names the checksum."""
    made = _bytes([Span(STATION, 63)], feed="word")
    assert isinstance(made, Problem)
    assert made.where == "checksum c"
    assert made.found == "63 bytes"


def _faults(replace: dict[str, str]) -> list[tuple[str, str, str]]:
    with pytest.raises(LayoutError) as caught:
        read_layout(layout_text(replace).encode(), "small.toml", [checksum_faults])
    return [(problem.where, problem.what, problem.found) for problem in caught.value.problems]


def test_the_sound_layout_has_no_fault() -> None:
    """Every form of range passes, a build's length is not judged before it is known."""
    over = 'over = [{ build = "station" }, "spare", { start = 0x1000_3000, size = 4 }]\nfeed = "word"'
    assert list(checksum_faults(layout({OVER: over}).layout)) == []


def test_an_unknown_algorithm() -> None:
    """An unknown name is told at its line with the nearest names, bad parameters with each fault."""
    ((where, what, found),) = _faults({ALGORITHM: '"CRC-32/ISO-HDLX"'})
    assert what.startswith("unknown checksum algorithm: checksum")
    assert found == "CRC-32/ISO-HDLX"
    line = layout_text({ALGORITHM: '"CRC-32/ISO-HDLX"'}).splitlines()[int(where.split(":")[1]) - 1]
    assert "HDLX" in line
    table = "{ width = 8, poly = 0x107, init = 0x1FF, refin = true, refout = true, xorout = 0 }"
    assert len(_faults({ALGORITHM: table})) == 2


def test_a_name_of_several_algorithms() -> None:
    """A trade name that is used for several CRCs is a fault at its line that names them all."""
    with pytest.raises(LayoutError) as caught:
        read_layout(layout_text({ALGORITHM: '"CRC16-CCITT"'}).encode(), "small.toml", [checksum_faults])
    (problem,) = caught.value.problems
    assert problem.what.startswith("a name of several checksum algorithms: checksum")
    assert problem.found == "CRC16-CCITT"
    for name in ("CRC-16/KERMIT", "CRC-16/IBM-3740", "CRC-16/XMODEM", "CRC-16/SPI-FUJITSU"):
        assert name in problem.expected


def test_two_checksums_on_top_of_each_other() -> None:
    """Checksums known by name share bytes by their real widths, told at the line of the second."""
    over = 'name = "c2"\nalgorithm = "sum-8"\nover = ["sampler-code"]'
    second = f"[[checksum]]\n{over}\nat = 0x1000_0FFD\n\n[record]"
    ((where, what, found),) = _faults({"[record]": second})
    assert what == "two values are written to the same bytes: checksum[1].at"
    assert found == "station-crc 0x1000_0FFC..0x1000_0FFF, c2 0x1000_0FFD..0x1000_0FFD"
    text = layout_text({"[record]": second})
    assert text.splitlines()[int(where.split(":")[1]) - 1] == "at = 0x1000_0FFD"


def test_a_feed_that_does_not_go_with_a_sum() -> None:
    """A sum names its own unit, so a word feed is refused."""
    ((_, what, found),) = _faults({ALGORITHM: '"sum-32"', OVER: f'{OVER}\nfeed = "word"'})
    assert what.startswith("feed word for a sum")
    assert found == "sum-32-of-words"


@pytest.mark.parametrize(
    ("ranges", "key"),
    [
        ("over = [{ start = 0x1000_0002, size = 8 }]", "over"),
        ("over = [{ start = 0x1000_0000, size = 6 }]", "over"),
        ('over = [{ area = "station-code", offset = 0, size = 0xFF6 }]', "over"),
        ('over = [{ area = "station-code", offset = 0x2, size = 0xFF8 }]', "over"),
        (f"{OVER}\nexcept = [{{ start = 0x1000_0100, size = 2 }}]", "except"),
    ],
)
def test_ranges_off_their_unit(ranges: str, key: str) -> None:
    """A range or exception that begins or ends inside a word is a fault of the layout under a word feed."""
    faults = _faults({OVER: f'{ranges}\nfeed = "word"'})
    assert [
        f".{key}" in what and what.startswith("range does not come out even") for _, what, _ in faults
    ] == [True]
