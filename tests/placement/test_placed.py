"""Versions, digests over images with holes, the rest of flash, and the ids of vendor and class."""

from __future__ import annotations

import hashlib
import uuid
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from image_edits import holding
from small_device import FLASH, RECORD, SAMPLER, SEAL, SPARE, STATION, joined, layout
from strategies import images

from gemel.image.sparse import SparseBytes
from gemel.layout.model import RecordPlan
from gemel.placement import placed as module
from gemel.placement.placed import (
    PlacedBuild,
    Version,
    blocks_of,
    digests_of,
    has_vectors,
    identities_of,
    not_ours,
    rest_spans,
    sha256_of,
)
from gemel.spans import Span

LAYOUT = layout({"write_unit = 8\n": "write_unit = 8\nerased_byte = 0xA5\n"}).layout


def test_versions() -> None:
    """A version is three numbers, printed as they are read."""
    assert Version.of("1.20.300") == (1, 20, 300)
    assert str(Version(1, 20, 300)) == "1.20.300"
    for text in ("1.2", "1.2.3.4", "1.2.x", ""):
        with pytest.raises(ValueError, match=r"unpack|invalid literal"):
            Version.of(text)


def test_run_addresses() -> None:
    """The distance between stored and run address is the same for every byte of a build."""
    build = PlacedBuild("sampler", "sampler", Span(SAMPLER, 64), 0x3000_3400, 0x3000_3400, None)
    assert build.run_address(SAMPLER + 16) == 0x3000_3410


@given(images(limit=0x300), st.integers(0, 0x200), st.integers(0, 0x200))
def test_blocks_are_the_bytes(image: SparseBytes, start: int, size: int) -> None:
    """Blocks one after another are the span's bytes, with the memory's erased byte where nothing is held."""
    moved = SparseBytes()
    for address, piece in image.pieces():
        moved.write(FLASH + address, piece)
    span = Span(FLASH + start, size)
    assert b"".join(blocks_of(LAYOUT, moved, span)) == moved.read(span, 0xA5)
    data = moved.read(span, 0xA5)
    assert digests_of(LAYOUT, moved, span) == (zlib.crc32(data), hashlib.sha256(data).digest())
    assert sha256_of(LAYOUT, moved, [span, span]) == hashlib.sha256(data + data).digest()


def test_blocks_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """A long hole comes in blocks of bounded size, so that digesting it takes no memory."""
    monkeypatch.setattr(module, "BLOCK", 16)
    blocks = list(blocks_of(LAYOUT, holding({FLASH + 40: b"\1"}), Span(FLASH, 100)))
    assert max(map(len, blocks)) == 16
    assert sum(map(len, blocks)) == 100


def test_outside_all_memories_0xff_stands_for_nothing() -> None:
    """A span of a strange record may lie anywhere; its bytes are then 0xFF."""
    assert b"".join(blocks_of(LAYOUT, SparseBytes(), Span(0x9000_0000, 3))) == b"\xff\xff\xff"


def test_the_rest_of_flash() -> None:
    """Flash less builds, record, seal and reserved areas, by address."""
    sealed = layout(add='\n[seal]\narea = "seal"\n')
    made = joined(sealed)
    rest = rest_spans(sealed.layout, made.placed, Span(RECORD, 516))
    assert rest == [
        Span.from_bounds(STATION + 0x130, SAMPLER),
        Span.from_bounds(SAMPLER + 0x128, SPARE),
        Span.from_bounds(RECORD + 516, SEAL),
        Span(FLASH + 0x3000, 0x1000),
    ]
    assert not_ours(sealed.layout) == [Span(SPARE, 0x800), Span(SEAL, 0x400)]
    assert not_ours(layout().layout) == [Span(SPARE, 0x800)], "no [seal] names the other one"


def test_the_rest_of_two_memories_that_touch() -> None:
    """No span of the rest reaches from one memory into the next, and read-only memory counts too."""
    bank = '[memory.rom]\nkind = "rom"\nstart = 0x1000_4000\nsize = 64\n\n[memory.ram]'
    read = layout({"[memory.ram]": bank}, '\n[seal]\narea = "seal"\n')
    rest = rest_spans(read.layout, {}, Span(RECORD, 516))
    assert rest[-2:] == [Span(FLASH + 0x3000, 0x1000), Span(0x1000_4000, 64)]


def test_vectors_are_for_code() -> None:
    """A build has a vector table if its area's purpose is code."""
    area = 'sampler-code = { memory = "flash", offset = "4 KiB", size = "4 KiB", purpose = '
    data = layout({f'{area}"code"': f'{area}"data"'}).layout
    assert [has_vectors(data, name) for name in ("station", "sampler")] == [True, False]


@pytest.mark.parametrize(
    ("vendor", "product_class", "expected"),
    [
        (None, None, (None, None)),
        ("harbour.example", None, (uuid.uuid5(uuid.NAMESPACE_DNS, "harbour.example"), None)),
        (str(uuid.NAMESPACE_OID), None, (uuid.NAMESPACE_OID, None)),
        (str(uuid.NAMESPACE_OID), "gauge", (uuid.NAMESPACE_OID, uuid.uuid5(uuid.NAMESPACE_OID, "gauge"))),
        (None, str(uuid.NAMESPACE_URL), (None, uuid.NAMESPACE_URL)),
        (None, "gauge", (None, None)),
    ],
)
def test_identities(vendor: str | None, product_class: str | None, expected: tuple) -> None:
    """UUIDs are taken as given; names become UUIDv5 as RFC 9124 sections 3.3 and 3.4 have it (`uuid`)."""
    assert identities_of(RecordPlan(area="record", vendor=vendor, product_class=product_class)) == expected
