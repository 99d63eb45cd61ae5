"""Damaged images with records for the C reader: the same ones on every run, from a fixed seed."""

from __future__ import annotations

import random
import struct
import zlib
from collections.abc import Iterator
from typing import NamedTuple

from records import tide_gauge_record

from gemel.record.format import BUILD, HEADER, MARK, RecordField, record_size
from gemel.record.record import encode
from gemel.structs import replace

START = 0x0800_0000
EXTREMES = (0, 1, 2, 3, 4, 31, 32, 33, 0x7F, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFF_FFFF, 0x8000_0000)
LETTERS = (
    b"a\0 ~\x1f\x7f\x80\x8f\x90\x9f\xa0\xbf\xc0\xc1\xc2\xdf\xe0\xe1\xec\xed\xee\xef\xf0\xf1\xf3\xf4\xf5\xff"
)


class Case(NamedTuple):
    """``data`` of an image whose first byte has address ``start``, ``shift`` bytes off its alignment."""

    start: int
    data: bytes
    shift: int


def small_image(builds: int, generator: random.Random) -> tuple[bytes, int]:
    """A sound image of ``builds`` builds, the record between them; and the record's offset."""
    before = 4 * generator.randrange(0, 12)
    sizes = [generator.randrange(1, 90) for _ in range(builds)]
    base = tide_gauge_record().builds[0]
    offset = before + record_size(builds)
    entries = []
    tail = b""
    for index, size in enumerate(sizes):
        content = generator.randbytes(size)
        entry = replace(
            base,
            name=f"part-{index}",
            stored_start=START + offset + len(tail),
            stored_size=size,
            crc32=zlib.crc32(content),
            build_id=generator.randbytes(generator.randrange(33)),
        )
        entries.append(entry)
        tail += content
    record = encode(replace(tide_gauge_record(), builds=tuple(entries)))
    return b"\xff" * before + record + tail, before


def _mended(data: bytearray, at: int) -> None:
    """Make the record's CRC right again, where its size still lets one say where the CRC is."""
    size = int.from_bytes(data[at + 12 : at + 16], "little")
    if 24 <= size <= len(data) - at:
        crc = zlib.crc32(data[at : at + size - 4])
        data[at + size - 4 : at + size] = crc.to_bytes(4, "little")


def _some_field(generator: random.Random, count: int) -> tuple[int, RecordField]:
    if generator.random() < 0.4:
        return 0, generator.choice(HEADER)
    return 192 + 160 * generator.randrange(count), generator.choice(BUILD)


def _set_field(data: bytearray, at: int, count: int, generator: random.Random) -> None:
    """Put an extreme into one field: lengths, counts, addresses, or the letters of a name."""
    base, field = _some_field(generator, count)
    place = at + base + field.offset
    if field.kind in ("u16", "u32"):
        value = generator.choice(EXTREMES)
        if generator.random() < 0.5:
            value = (1 << 8 * field.size) - 1 - value
        data[place : place + field.size] = (value % (1 << 8 * field.size)).to_bytes(field.size, "little")
    elif field.kind == "text":
        alphabet = generator.choice([LETTERS, b"a\xc2\x80\xf4\x9f", b"abc"])
        length = generator.choice([32, 32, 31, 3, 2, 1, 0])
        letters = bytes(generator.choice(alphabet) for _ in range(length))
        data[place : place + field.size] = letters.ljust(field.size, b"\0")
    else:
        data[place + generator.randrange(field.size)] = generator.randrange(256)


def _near_sizes(data: bytearray, at: int, count: int, generator: random.Random) -> None:
    """Count and size that fit each other, but not the bytes at hand; or one of them out by one."""
    other = generator.choice([count - 1, count + 1, 0, 15, 16, 17, 0xFFFF])
    size = 192 + 160 * other + 4 + generator.choice([0, 0, 0, -1, 1, 1 << 31])
    struct.pack_into("<IH", data, at + 12, size % (1 << 32), other % (1 << 16))


def _damage(data: bytearray, at: int, count: int, generator: random.Random) -> bytearray:
    """One change of a kind chosen by chance; the record's CRC follows it in two of three cases."""
    kind = generator.randrange(8)
    if kind == 0:
        for _ in range(generator.choice([1, 1, 2, 5, 30])):
            data[generator.randrange(len(data))] ^= 1 << generator.randrange(8)
    elif kind == 1:
        return data[: generator.randrange(len(data) + 1)]
    elif kind == 2:
        _near_sizes(data, at, count, generator)
    elif kind == 3:
        place = 192 + 160 * generator.randrange(count) + 0x44
        spans = [START, START + len(data) - 1, 0, 0xFFFF_FFFF, generator.randrange(1 << 32)]
        sizes = [0, 1, len(data), len(data) + 1, 0xFFFF_FFFF, 0x8000_0000]
        struct.pack_into("<II", data, at + place, generator.choice(spans), generator.choice(sizes))
    elif kind == 4:
        place = 4 * generator.randrange(len(data) // 4 - 2)
        data[place : place + 8] = MARK
    elif kind == 5:
        one, two = (at + 192 + 160 * generator.randrange(count) for _ in range(2))
        length = generator.choice([32, 160])
        data[one : one + length] = data[two : two + length]
    else:
        _set_field(data, at, count, generator)
    if generator.random() < 0.67:
        _mended(data, at)
    return data


def cases(number: int, seed: int) -> Iterator[Case]:
    """``number`` cases of some hundred images: about one in twenty whole, the others damaged once or more often."""
    generator = random.Random(seed)
    images = [(count, *small_image(count, generator)) for count in (1, 1, 2, 2, 3, 16) * 100]
    for _ in range(number):
        count, whole, at = generator.choice(images)
        data = bytearray(whole)
        for _ in range(generator.choice([0, 1, 1, 1, 1, 1, 1, 2, 2, 3])):
            if len(data) == len(whole):
                data = _damage(data, at, count, generator)
        if generator.random() < 0.3:
            data = data[at:]
        start = generator.choice([START] * 8 + [START - 4, 0, 0xFFFF_FF00])
        yield Case(start, bytes(data), generator.choice([0] * 20 + [1, 2, 3, 4]))
