"""Records for tests: one of the tide gauge, and ways to damage it."""

from __future__ import annotations

import uuid
import zlib

from hypothesis import strategies as st

from gemel.record.record import BuildEntry, Record
from gemel.structs import replace

VENDOR = uuid.uuid5(uuid.NAMESPACE_DNS, "vendor-a.example")


def tide_gauge_record(
    station_size: int = 0x9C4, sampler_size: int = 0x3E8, start: int = 0x1000_0000
) -> Record:
    """A record of the two builds of the tide gauge; its digests are of nothing."""
    station = BuildEntry(
        name="station",
        core="station",
        role="primary",
        stored_start=start,
        stored_size=station_size,
        run_start=start,
        vector_address=start,
        crc32=0x0123_4567,
        sha256=bytes(range(32)),
        build_id=bytes(range(0xA0, 0xB4)),
    )
    sampler = replace(
        station,
        name="sampler",
        core="sampler",
        role="secondary",
        stored_start=start + 0x2_0000,
        stored_size=sampler_size,
        run_start=0x2000_0000,
        vector_address=0x2000_0000,
        build_id=b"",
    )
    return Record(
        product="tide-gauge",
        major=1,
        minor=4,
        patch=70_000,
        rollback=3,
        layout_sha256=bytes([0x11]) * 32,
        rest_sha256=bytes([0x22]) * 32,
        builds=(station, sampler),
        vendor_id=VENDOR,
        class_id=uuid.uuid5(VENDOR, "Product Z"),
    )


def with_crc(data: bytes) -> bytes:
    """``data`` with its last four bytes made the CRC of those before, as a forger or a bug would."""
    return data[:-4] + zlib.crc32(data[:-4]).to_bytes(4, "little")


def with_bytes(data: bytes, offset: int, value: bytes) -> bytes:
    """``data`` with ``value`` at ``offset``, and a right CRC over it."""
    return with_crc(data[:offset] + value + data[offset + len(value) :])


_NAMES = st.text(st.characters(codec="utf-8", exclude_categories=["Cc"]), min_size=1, max_size=31).filter(
    lambda text: len(text.encode("utf-8")) <= 31
)
_U16 = st.integers(0, 0xFFFF)
_U32 = st.integers(0, 0xFFFF_FFFF)
_DIGESTS = st.binary(min_size=32, max_size=32)
_IDS = st.one_of(st.none(), st.uuids())


@st.composite
def records(draw: st.DrawFn) -> Record:
    """Sound records: alike names and overlapping spans are avoided by construction."""
    names = draw(st.lists(_NAMES, min_size=1, max_size=16, unique=True))
    bounds = sorted(
        draw(st.lists(st.integers(0, 1 << 32), min_size=2 * len(names), unique=True, max_size=32))
    )
    builds = []
    for name, start, end in zip(names, bounds[::2], bounds[1::2], strict=False):
        size = min(end - start, (1 << 32) - 1)
        entry = BuildEntry(
            name=name,
            core=draw(_NAMES),
            role=draw(st.sampled_from(["primary", "secondary"])),
            stored_start=start,
            stored_size=size,
            run_start=draw(st.integers(0, (1 << 32) - size)),
            vector_address=draw(st.one_of(st.none(), st.integers(0, 0xFFFF_FFFE))),
            crc32=draw(_U32),
            sha256=draw(_DIGESTS),
            build_id=draw(st.binary(max_size=32)),
        )
        builds.append(entry)
    return Record(
        product=draw(_NAMES),
        major=draw(_U16),
        minor=draw(_U16),
        patch=draw(_U32),
        rollback=draw(_U32),
        layout_sha256=draw(_DIGESTS),
        rest_sha256=draw(_DIGESTS),
        builds=tuple(draw(st.permutations(builds))),
        vendor_id=draw(_IDS),
        class_id=draw(_IDS),
    )
