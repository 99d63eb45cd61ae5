"""Which format a file name means, and that every format keeps what it promises."""

from __future__ import annotations

import pytest

from gemel.errors import UsageProblem
from gemel.image.formats import FORMATS, FileContents, Format, format_of
from gemel.image.sparse import SparseBytes
from gemel.spans import Span


@pytest.mark.parametrize(
    ("file_name", "name"),
    [
        ("tide.bin", "raw binary"),
        ("tide.hex", "Intel HEX"),
        ("out/v1.2/tide.IHEX", "Intel HEX"),
        ("tide.srec", "S-record"),
        ("tide.s19", "S-record"),
        ("tide.s28", "S-record"),
        ("tide.S37", "S-record"),
        ("tide.bin.mot", "S-record"),
    ],
)
def test_the_suffix_names_the_format(file_name: str, name: str) -> None:
    """The last suffix decides, in upper or lower case, wherever the file lies."""
    assert format_of(file_name).name == name


@pytest.mark.parametrize(
    ("file_name", "found", "next_step"),
    [
        ("tide.hx", ".hx", "did you mean .hex?"),
        ("tide.s39", ".s39", "did you mean .s19?"),
        ("tide.bni", ".bni", "did you mean .bin?"),
        ("tide.tar", ".tar", "name it by its format, or give --as hex, --as srec or --as bin"),
        ("hex", "no suffix", "name it by its format, or give --as hex, --as srec or --as bin"),
    ],
)
def test_other_suffixes_are_refused(file_name: str, found: str, next_step: str) -> None:
    """The problem names the file, its suffix, all known ones and the nearest."""
    with pytest.raises(UsageProblem) as caught:
        format_of(file_name)
    (problem,) = caught.value.problems
    assert (problem.where, problem.found) == (file_name, found)
    assert problem.next_step.replace(".s37", ".s19") == next_step
    for known in FORMATS:
        assert all(suffix in problem.expected for suffix in known.suffixes)


def test_no_suffix_is_claimed_twice() -> None:
    """Every suffix belongs to one format, begins with a dot and is written in lower case."""
    suffixes = [suffix for known in FORMATS for suffix in known.suffixes]
    assert len(suffixes) == len(set(suffixes))
    assert all(suffix.startswith(".") and suffix == suffix.lower() for suffix in suffixes)


@pytest.mark.parametrize("known", FORMATS, ids=lambda known: known.name)
def test_every_format_reads_what_it_writes(known: Format) -> None:
    """By the one interface, each format gives back image and, where it has addresses, the entry."""
    image = SparseBytes()
    image.write(0x1000_0000, bytes(range(200)))
    text = b"".join(known.encode(FileContents(image, 0x1000_0041, header="tide gauge")))
    decoded = known.decode([text], "tide", 0x1000_0000)
    assert decoded.image == image
    assert decoded.entry == (0x1000_0041 if known.has_addresses else None)


@pytest.mark.parametrize("known", FORMATS, ids=lambda known: known.name)
def test_every_format_writes_an_empty_image(known: Format) -> None:
    """An image without bytes can be written in every format, and read where the format has an end mark."""
    text = b"".join(known.encode(FileContents(SparseBytes())))
    if known.has_addresses:
        assert known.decode([text], "tide", 0).image == SparseBytes()
    else:
        assert text == b""


def test_span_and_fill_shape_a_raw_binary() -> None:
    """The span says where a raw binary begins and ends, the fill what its holes hold."""
    image = SparseBytes()
    image.write(2, b"ab")
    contents = FileContents(image, span=Span(0, 6), fill=0xFF)
    assert b"".join(format_of("tide.bin").encode(contents)) == b"\xff\xffab\xff\xff"
