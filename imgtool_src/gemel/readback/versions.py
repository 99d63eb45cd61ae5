"""Which version each erase block of a dump is of."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.layout.addresses import locate
from gemel.placement.placed import digests_of
from gemel.record.format import MAX_BUILDS
from gemel.record.record import BuildEntry, Record, RecordError, decode, find, record_size
from gemel.spans import ADDRESS_SPACE, Span, align_down, merge
from gemel.structs import NamedTuple

DEFAULT_BLOCK = 4096
"""Bytes that are compared at once where the layout does not say what a memory erases at once."""

MAX_RECORDS = 64
ERASED = "erased"
UNKNOWN = "of no known version"


class KnownVersion(NamedTuple):
    """An image of the product that the dump is compared with."""

    record: Record
    image: SparseBytes


class Stretch(NamedTuple):
    """Neighbouring blocks of one version: its number, ``ERASED`` or ``UNKNOWN``."""

    span: Span
    version: str


def records_in(image: SparseBytes) -> Iterator[tuple[int, Record]]:
    """Every sound record, by address."""
    for start in find(image.pieces())[:MAX_RECORDS]:
        span = Span(start, min(record_size(MAX_BUILDS), ADDRESS_SPACE - start))
        try:
            yield start, decode(image.read(span, 0xFF), "")
        except RecordError:
            continue


def stretches(inspection: Inspection, known: Sequence[KnownVersion]) -> list[Stretch]:
    """The versions of all blocks that builds are stored in, by the dump's record and by ``known`` images.

    A block that fits several versions is taken for that of its neighbours.
    """
    own = inspection.record
    entries = [*(own.builds if own else ()), *(each for one in known for each in one.record.builds)]
    sound = [each for each in (own.builds if own else ()) if _is_as_recorded(inspection, each)]
    found: list[Stretch] = []
    unclear: list[set[str]] = []
    for block in _blocks(inspection, merge(each.stored for each in entries)):
        held = inspection.bytes_of(block)
        versions = {
            each.record.version
            for each in known
            if each.image.read(block, _erased(inspection, block)) == held
        }
        if own and any(each.stored.covers(block) for each in sound):
            versions.add(own.version)
        if not versions:
            versions = {ERASED if not held.strip(bytes((_erased(inspection, block),))) else UNKNOWN}
        found.append(Stretch(block, ""))
        unclear.append(versions)
    return _joined(found, _decided(unclear, own.version if own else ""))


def _decided(choices: list[set[str]], preferred: str) -> list[str]:
    """One version for each block: the only one, else the one before it, the one after it, or ``preferred``."""
    decided = [next(iter(each)) if len(each) == 1 else "" for each in choices]
    for order in (range(1, len(choices)), range(len(choices) - 2, -1, -1)):
        step = order.step
        for index in order:
            if not decided[index] and decided[index - step] in choices[index]:
                decided[index] = decided[index - step]
    for index, each in enumerate(choices):
        if not decided[index]:
            decided[index] = preferred if preferred in each else max(each, key=version_key)
    return decided


def _joined(blocks: list[Stretch], versions: list[str]) -> list[Stretch]:
    found: list[Stretch] = []
    for block, version in zip(blocks, versions, strict=True):
        last = found[-1] if found else None
        if last and last.version == version:
            found[-1] = Stretch(Span.from_bounds(last.span.start, block.span.end), version)
        else:
            found.append(Stretch(block.span, version))
    return found


def version_key(version: str) -> tuple[int, ...]:
    """What versions X.Y.Z are ordered by; anything else comes first."""
    return tuple(int(part) for part in version.split(".")) if version[:1].isdigit() else ()


def _is_as_recorded(inspection: Inspection, entry: BuildEntry) -> bool:
    if not locate(inspection.layout, entry.stored.start):
        return False
    found = digests_of(inspection.layout, inspection.image, entry.stored)
    return (found.crc32, found.sha256) == (entry.crc32, entry.sha256)


def _blocks(inspection: Inspection, spans: Sequence[Span]) -> Iterator[Span]:
    """``spans`` cut at the ends of erase blocks; what is in no flash is left out."""
    for memory in inspection.layout.memories.values():
        size = memory.erase_block or DEFAULT_BLOCK
        for span in spans if memory.holds_image else ():
            part = span.intersection(memory.span)
            start = part.start
            while start < part.end:
                end = min(part.end, memory.start + align_down(start - memory.start, size) + size)
                yield Span.from_bounds(start, end)
                start = end


def _erased(inspection: Inspection, block: Span) -> int:
    return inspection.erased_byte_at(block.start)
