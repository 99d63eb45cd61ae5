"""Bytes of an image in another order or at another place: what is said of them, and what says so of the whole image."""

from __future__ import annotations

from collections.abc import Iterator
from functools import reduce
from operator import and_, or_
from typing import TYPE_CHECKING

from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.spans import Span
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.inspection.altered.text_conversions import Conversion


ALIKE = 64
"""Bytes that a line must have changed."""
MAX_STUCK_BITS = 4
"""Data lines that may be stuck: bytes that are all erased have eight."""
LINES = 20
"""Address lines that are looked at: up to half a MiB."""
MAX_COMPARED = 1 << 14
"""Bytes of each stretch that are compared for an address line."""


def stuck_line(inspection: Inspection) -> tuple[str, str] | None:
    """What is said of the line, and what shows it; None where bytes differ in another way."""
    patches = list(inspection.patches.known.values())
    expected = SparseBytes()
    parts = [
        (address, bytes(data))
        for placement in inspection.placements.values()
        for address, data in placement.stored_without(patches)
    ]
    for address, data in parts:
        expected.write(address, data)
    held = [(address, data, inspection.bytes_of(Span(address, len(data)))) for address, data in parts]
    return data_lines(held) or address_line(held, expected)


_Held = list[tuple[int, bytes, bytes]]
"""Address of each stretch, what the builds store there and what the image holds."""


def data_lines(held: _Held) -> tuple[str, str] | None:
    """Bits that have one value in every byte, all others being as stored."""
    pairs = {pair for _, stored, found in held for pair in zip(stored, found, strict=True)}
    always, ever = (
        reduce(and_, (found for _, found in pairs), 0xFF),
        reduce(or_, (found for _, found in pairs), 0),
    )
    if sum(stored != found for stored, found in pairs) < ALIKE // 8:
        return None
    for mask, level, whole in (
        (always, 1, all(stored | always == found for stored, found in pairs)),
        (0xFF ^ ever, 0, all(stored & ever == found for stored, found in pairs)),
    ):
        if 0 < mask.bit_count() <= MAX_STUCK_BITS and whole:
            bits = " and ".join(str(bit) for bit in range(8) if mask >> bit & 1)
            return (
                f"bit {bits} of each byte is always {level}",
                f"all other bits of {len(pairs)} different bytes are right",
            )
    return None


def address_line(held: _Held, expected: SparseBytes) -> tuple[str, str] | None:
    """The bit of addresses at one value of which the bytes are those that ``expected`` has at the other one."""
    for line in range(LINES):
        for level in (0, 1):
            counts = [_bytes_by_line(each, expected, line, level) for each in held]
            # in no stretch of both levels it would be another build that is there
            both = any(
                count and len(data) > 1 << line for count, (_, data, _) in zip(counts, held, strict=True)
            )
            if both and None not in counts and (total := sum(count or 0 for count in counts)) >= ALIKE:
                return (
                    f"address line {line} is always {level}",
                    f"{total:,} bytes from addresses with bit {line} of the other value are those 0x{1 << line:X} "
                    f"{'before' if level == 0 else 'after'} them",
                )
    return None


def _bytes_by_line(
    stretch: tuple[int, bytes, bytes], expected: SparseBytes, line: int, level: int
) -> int | None:
    """How many bytes of a stretch a line changed; None where it does not explain all of it."""
    address, stored, found = stretch
    changed = 0
    for start, end in _blocks(address, min(len(stored), MAX_COMPARED), 1 << line):
        own, there = stored[start:end], found[start:end]
        if (address + start) >> line & 1 == level:
            if own != there:
                return None
            continue
        source = Span(address + start + ((1 << line) if level else -(1 << line)), end - start)
        if expected.holds(source):
            if expected.read(source, None) != there:
                return None
            changed += sum(mine != other for mine, other in zip(own, there, strict=True))
    return changed


def _blocks(address: int, size: int, block: int) -> Iterator[tuple[int, int]]:
    """The ends of the parts of a stretch that are in blocks of that size, as offsets."""
    start = 0
    while start < size:
        end = min(size, start + block - (address + start) % block)
        yield start, end
        start = end


WINDOW = 256
"""Bytes from the first deviation on that are looked for."""

MAX_DISTANCE = 4096
"""How far from their place bytes are looked for."""


class Disorder(NamedTuple):
    """Where the order is lost, how, what is found there, and what to do."""

    where: str
    what: str
    found: str
    expected: str
    span: Span
    next_step: str


def as_text(inspection: Inspection) -> Disorder | None:
    """By what a conversion of text leaves of a build's bytes, or of any code, where these are not as they should be."""
    from gemel.inspection.altered.text_conversions import conversion

    found = conversion(inspection)
    return conversion_of(inspection, found) if found else None


def by_line(inspection: Inspection) -> Disorder | None:
    """By address or data lines that read the same all over."""
    found = stuck_line(inspection)
    return found and Disorder(
        "the image",
        found[0],
        found[1],
        "the bytes of the builds",
        inspection.image.bounds() or Span(0, 1),
        "read or transfer the image again: a contact of the programmer, its socket or its cable may be open",
    )


def conversion_of(inspection: Inspection, found: Conversion) -> Disorder:
    """What is said of a file that was converted as text."""
    return Disorder(
        "the image",
        f"the image {found.what}",
        found.found,
        "any byte anywhere, as in a binary",
        inspection.image.bounds() or Span(0, 1),
        "transfer the file again as binary; in git, mark it as binary in .gitattributes",
    )


def shifted(distance: int, found: str) -> tuple[str, str, str]:
    """What is said of bytes at a distance from their place: what is wrong, what was found, the next step."""
    side = "higher" if distance > 0 else "lower"
    amount = f"{abs(distance):,}" if abs(distance) < 4096 else f"0x{abs(distance):X}"
    return (
        f"all bytes are {amount} too {side.removesuffix('er')}",
        found,
        f"move them {amount} bytes {'down' if distance > 0 else 'up'}: was the binary read at the right address "
        "(--at), or a header added or removed?",
    )
