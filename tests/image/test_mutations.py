"""Damaged files: a problem or the same bytes, never another exception, never long, never much memory."""

from __future__ import annotations

import random
import tracemalloc

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from seconds import within
from strategies import images

from gemel.errors import ImageFormatError
from gemel.image import intel_hex, s_record
from gemel.image.gathering import MAX_PROBLEMS
from gemel.image.image import Decoded
from gemel.image.sparse import SparseBytes
from gemel.spans import Span

CODECS = {"hex": intel_hex, "srec": s_record}
FORMS = st.sampled_from(sorted(CODECS))


def outcome(text: bytes, form: str) -> Decoded | None:
    """What is read, or None where the file is refused with well-formed problems."""
    with within(5):
        try:
            return CODECS[form].decode([text], "tide")
        except ImageFormatError as error:
            problems = error.problems
    assert 1 <= len(problems) <= MAX_PROBLEMS + 1
    for problem in problems:
        assert problem.what
        assert problem.where.startswith("tide")
        assert str(problem).isprintable()
    return None


@settings(max_examples=400, deadline=None)
@given(image=images(min_runs=1), form=FORMS, at=st.integers(0, 1 << 30), new=st.integers(0, 255))
def test_one_changed_character(image: SparseBytes, form: str, at: int, new: int) -> None:
    """A checksum catches every single changed digit: the file is refused, or reads as it did.

    A line end that became white space, or the case of a digit, changes nothing that counts; an entry of 0
    and the header of an S-record are not part of the image.  The type of an S-record is outside its checksum: S3
    with an address of zeros is a sound S1 of more data.
    """
    text = b"".join(CODECS[form].encode(image))
    at %= len(text)
    if form == "srec" and at and text[at - 1 : at] == b"S":
        return
    decoded = outcome(text[:at] + bytes((new,)) + text[at + 1 :], form)
    assert decoded is None or decoded.image == image


@settings(max_examples=300, deadline=None)
@given(image=images(min_runs=1), form=FORMS, cut=st.integers(0, 1 << 30))
def test_a_cut_file(image: SparseBytes, form: str, cut: int) -> None:
    """A file cut anywhere is refused; only its last line end may be missing."""
    text = b"".join(CODECS[form].encode(image))
    kept = text[: cut % len(text)]
    decoded = outcome(kept, form)
    assert decoded is None or (kept == text[:-1] and decoded.image == image)


@settings(max_examples=300, deadline=None)
@given(image=images(min_runs=1, max_runs=3), form=FORMS, seed=st.integers(0, 1 << 30))
def test_heavy_damage(image: SparseBytes, form: str, seed: int) -> None:
    """Many random changes of every kind end in a problem or a Decoded, never in another exception."""
    rng = random.Random(seed)
    text = bytearray(b"".join(CODECS[form].encode(image, rng.choice([None, 0x1001]))))
    for _ in range(rng.randint(1, 12)):
        at = rng.randrange(len(text) + 1)
        piece = bytes(text[rng.randrange(len(text) + 1) :][: rng.randint(0, 60)])
        noise = rng.choice([b"\n", b"\r", b" ", b"\0", b":", b"S", b"0", b"F", rng.randbytes(3), piece])
        text[at : at + rng.choice([0, 0, 1, len(noise), 40])] = noise
        if not text:
            break
    outcome(bytes(text), form)


@settings(max_examples=300, deadline=None)
@given(form=FORMS, text=st.one_of(st.binary(max_size=300), st.text("0123456789ABCDEF:Ss \r\n", max_size=300)))
def test_anything_at_all(form: str, text: bytes | str) -> None:
    """Arbitrary bytes, and arbitrary text of the formats' own characters, end in a problem or a Decoded."""
    outcome(text.encode() if isinstance(text, str) else text, form)


@pytest.mark.parametrize("form", CODECS)
def test_a_missing_record(form: str) -> None:
    """A missing data record is noticed by the S-record count; Intel HEX has none and reads the rest."""
    image = SparseBytes()
    image.write(0, bytes(range(64)))
    lines = b"".join(CODECS[form].encode(image)).splitlines(keepends=True)
    del lines[2]
    decoded = outcome(b"".join(lines), form)
    assert decoded is None if form == "srec" else decoded is not None and decoded.image.size == 48


@pytest.mark.parametrize("form", CODECS)
def test_bytes_4_gib_apart_cost_what_they_hold(form: str) -> None:
    """An image from 0 to 0xFFFF_FFFF that holds 2,000 bytes is written and read in under 2 MiB of memory."""
    image = SparseBytes()
    for address in range(0, 1 << 32, (1 << 32) // 1999):
        image.write(address, b"x")
    image.write((1 << 32) - 1, b"y")
    tracemalloc.start()
    try:
        text = b"".join(CODECS[form].encode(image))
        assert CODECS[form].decode([text], "tide").image == image
        assert tracemalloc.get_traced_memory()[1] < 2 << 20
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("form", CODECS)
def test_a_big_file_takes_little_more_than_its_bytes(form: str) -> None:
    """4 MiB are read from blocks in under 2.5 times their size, and written in under 1 MiB."""
    image = SparseBytes()
    image.write(0x1000_0000, random.Random(3).randbytes(4 << 20))
    text = b"".join(CODECS[form].encode(image))
    blocks = (text[i : i + 65536] for i in range(0, len(text), 65536))
    tracemalloc.start()
    try:
        written = sum(len(block) for block in CODECS[form].encode(image))
        assert written == len(text)
        assert tracemalloc.get_traced_memory()[1] < 1 << 20
        tracemalloc.reset_peak()
        decoded = CODECS[form].decode(blocks, "tide")
        assert tracemalloc.get_traced_memory()[1] < 10 << 20
    finally:
        tracemalloc.stop()
    assert decoded.image.spans() == [Span(0x1000_0000, 4 << 20)]
    assert decoded.image == image
