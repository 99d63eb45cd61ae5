"""Where a build is in an image and where its core runs it: what stamps, record and rules work from."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Iterator, Mapping
from functools import cache
from typing import TYPE_CHECKING

from gemel.image.sparse import SparseBytes
from gemel.layout.addresses import locate
from gemel.layout.model import LEFT_ALONE, Layout, RecordPlan
from gemel.spans import ADDRESS_SPACE, Span, without
from gemel.structs import NamedTuple, Struct
from gemel.uuids import NAMESPACE_DNS, Uuid, uuid_in, uuid_of_name

if TYPE_CHECKING:
    from gemel.policy.model import Policy

BLOCK = 1 << 16
"""Unwritten bytes that are handed on at once when a long span is digested: few enough to stay in the cache."""


class Version(NamedTuple):
    """A shipped version, X.Y.Z; 0..65535, 0..65535, 0..2**32 - 1 in the record."""

    major: int
    minor: int
    patch: int

    @classmethod
    def of(cls, text: str) -> Version:
        """Read ``X.Y.Z``; raises ValueError for anything else."""
        major, minor, patch = (int(part) for part in text.split("."))
        return cls(major, minor, patch)

    def __str__(self) -> str:
        return f"{self.major}.{self.minor}.{self.patch}"


class PlacedBuild(Struct):
    """One build in an image.

    ``stored`` is in plain addresses and reaches to whole write units.  ``run_start`` and
    ``vector_address`` are as the build's own core sees them (that of a build without vectors means
    nothing, see ``has_vectors``); ``build_id`` is None where it has none or it is not known.
    """

    name: str
    core: str
    stored: Span
    run_start: int
    vector_address: int
    build_id: bytes | None

    def run_address(self, plain: int) -> int:
        """Where the byte stored at ``plain`` is when the core runs it."""
        return (plain - self.stored.start + self.run_start) % ADDRESS_SPACE


def blocks_of(layout: Layout, image: SparseBytes, span: Span) -> Iterator[bytes | memoryview]:
    """The bytes of ``span``, ascending, in blocks; unwritten ones as the erased byte of their memory.

    ``span`` must be in one memory; outside all memories 0xFF stands for unwritten bytes.
    """
    located = locate(layout, span.start)
    erased = located.memory.erased_byte if located else 0xFF
    position = span.start
    for address, piece in image.pieces(span):
        yield from _erased(erased, address - position)
        yield piece
        position = address + len(piece)
    yield from _erased(erased, span.end - position)


def _erased(byte: int, size: int) -> Iterator[bytes]:
    while size > 0:
        yield _block(byte, BLOCK)[:size]
        size -= BLOCK


@cache
def _block(byte: int, size: int) -> bytes:
    return bytes((byte,)) * size


def sha256_of(layout: Layout, image: SparseBytes, spans: list[Span]) -> bytes:
    """SHA-256 over the bytes of ``spans`` in the given order."""
    digest = hashlib.sha256()
    for span in spans:
        for block in blocks_of(layout, image, span):
            digest.update(block)
    return digest.digest()


class Digests(NamedTuple):
    """The two digests that a record keeps of a build's bytes."""

    crc32: int
    sha256: bytes


def digests_of(layout: Layout, image: SparseBytes, span: Span) -> Digests:
    """CRC-32/ISO-HDLC and SHA-256 over the bytes of ``span``, which is in one memory."""
    crc, digest = 0, hashlib.sha256()
    for block in blocks_of(layout, image, span):
        crc = zlib.crc32(block, crc)
        digest.update(block)
    return Digests(crc, digest.digest())


def rest_spans(layout: Layout, placed: Mapping[str, PlacedBuild], record: Span) -> list[Span]:
    """What no build's digest covers: flash less builds, the record itself, seal and reserved areas.

    By address; no span reaches over the end of its memory.
    """
    holes = [build.stored for build in placed.values()]
    holes.append(record)
    holes.extend(not_ours(layout))
    memories = sorted(memory.span for memory in layout.memories.values() if memory.holds_image)
    return [rest for memory in memories for rest in without([memory], holes)]


def not_ours(layout: Layout) -> list[Span]:
    """The areas that a join writes nothing into: the seal's, which comes last, and those of LEFT_ALONE.

    An area of purpose seal that no ``[seal]`` names is none of them: its bytes are covered like any others.
    """
    names = [area.name for area in layout.areas.values() if area.purpose in LEFT_ALONE]
    if layout.seal:
        names.append(layout.seal.area)
    return [layout.span_of(name) for name in names]


def has_vectors(layout: Layout, build: str) -> bool:
    """Whether a build of the layout has a vector table: it is stored in an area of purpose code."""
    return layout.areas[layout.builds[build].stored_in].purpose == "code"


def identities_of(plan: RecordPlan | Policy) -> tuple[Uuid | None, Uuid | None]:
    """Vendor and class id: UUIDs as given, else UUIDv5 as RFC 9124 sections 3.3 and 3.4 recommend."""
    vendor = _uuid_or(plan.vendor, NAMESPACE_DNS)
    return vendor, _uuid_or(plan.product_class, vendor)


def _uuid_or(text: str | None, space: Uuid | None) -> Uuid | None:
    if text is None:
        return None
    return uuid_in(text) or (uuid_of_name(space, text) if space else None)
