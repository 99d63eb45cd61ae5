"""A dump of a device taken apart, into the image and what else the device has; which version each block is of."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

from gemel.image.sparse import SparseBytes
from gemel.inspection.altered.unchanged import spans_of_rest
from gemel.inspection.inspection import Inspection
from gemel.layout.addresses import locate
from gemel.layout.model import LEFT_ALONE, Area, Layout, Memory
from gemel.placement.placed import digests_of, sha256_of
from gemel.record.record import BuildEntry, Record
from gemel.spans import ADDRESS_SPACE, Span, align_down, merge, without
from gemel.structs import NamedTuple

DEFAULT_BLOCK = 4096
"""Bytes that are compared at once where the layout does not say what a memory erases at once."""

MIN_BLOCK = 512
"""Bytes of the smallest block that is compared at once."""

ERASED = "erased"
UNKNOWN = "of no known version"


class DeviceBlock(NamedTuple):
    """An erase block of an image that is not erased: SHA-256 of its bytes, and whether a build is stored in it.

    The seal, and what devices write, count as erased: two images of one version are alike.
    """

    span: Span
    sha256: str
    holds_build: bool


class KnownVersion(NamedTuple):
    """A version of the product that the dump is compared with, by its blocks; all others are erased."""

    version: str
    blocks: Mapping[Span, DeviceBlock]

    def digest_at(self, span: Span) -> str | None:
        """SHA-256 of its bytes there; None where it is erased."""
        block = self.blocks.get(span)
        return block.sha256 if block else None


class VersionStretch(NamedTuple):
    """Neighbouring blocks of one version: its number, ``ERASED`` or ``UNKNOWN``; ``block`` is the first one's size."""

    span: Span
    version: str
    block: int


def blocks_of(layout: Layout, image: SparseBytes, stored: Sequence[Span]) -> dict[Span, DeviceBlock]:
    """The blocks of ``image`` that are not erased, by address; builds are ``stored`` in these spans.

    A block is what its memory erases at once, or as many of them as make ``MIN_BLOCK`` bytes.
    """
    bare, _ = image_in(layout, image)
    if layout.seal:
        bare.erase(layout.span_of(layout.seal.area))
    found = {}
    for memory in layout.memories.values():
        for block in _blocks(memory, bare.held_in(memory.span)) if memory.holds_image else ():
            data = bare.read(block, memory.erased_byte)
            if data.strip(bytes((memory.erased_byte,))):
                has_build = any(block.overlaps(each) for each in stored)
                found[block] = DeviceBlock(block, hashlib.sha256(data).hexdigest(), has_build)
    return found


def stretches(inspection: Inspection, known: Sequence[KnownVersion]) -> list[VersionStretch]:
    """The versions of all blocks that builds are stored in, and of those that ``known`` versions have but the record's.

    A block that fits several versions is taken for that of its neighbours.
    """
    layout, own = inspection.layout, inspection.record
    stored = [each.stored for each in own.builds] if own else []
    held = blocks_of(layout, inspection.image, stored)
    record = layout.span_of(layout.record.area) if layout.record else None
    wanted = {
        block.span
        for one in known
        for block in one.blocks.values()
        if block.holds_build or not (record and record.overlaps(block.span))
    }
    for memory in layout.memories.values():
        wanted |= set(_blocks(memory, stored) if memory.holds_image else ())
    is_own = _of_record(inspection, own) if own else None
    found: list[VersionStretch] = []
    unclear: list[set[str]] = []
    for span in sorted(wanted):
        block = held.get(span)
        digest = block.sha256 if block else None
        versions = {one.version for one in known if one.digest_at(span) == digest}
        if own and is_own and is_own(span, block is None):
            versions.add(own.version)
        if not versions:
            versions = {UNKNOWN if block else ERASED}
        found.append(VersionStretch(span, "", span.size))
        unclear.append(versions)
    return _joined(found, _decided(unclear, own.version if own else ""))


def _of_record(inspection: Inspection, own: Record) -> Callable[[Span, bool], bool]:
    """Whether the record's digests say that a block is of its version; an erased block is, where no build should be."""
    sound = {each.name for each in own.builds if _is_as_recorded(inspection, each)}
    rest = sha256_of(inspection.layout, inspection.image, spans_of_rest(inspection, own)) == own.rest_sha256

    def is_own(span: Span, erased: bool) -> bool:
        parts = [each for each in own.builds if each.stored.overlaps(span)]
        return all(each.name in sound for each in parts) and (bool(parts) or erased or rest)

    return is_own


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


def _joined(blocks: list[VersionStretch], versions: list[str]) -> list[VersionStretch]:
    found: list[VersionStretch] = []
    for block, version in zip(blocks, versions, strict=True):
        last = found[-1] if found else None
        if last and last.version == version:
            found[-1] = last._replace(span=Span.from_bounds(last.span.start, block.span.end))
        else:
            found.append(block._replace(version=version))
    return found


def version_key(version: str) -> tuple[int, ...]:
    """What versions X.Y.Z are ordered by; anything else comes first."""
    return tuple(map(int, version.split("."))) if re.fullmatch(r"[0-9]{1,9}(\.[0-9]{1,9})*", version) else ()


def _is_as_recorded(inspection: Inspection, entry: BuildEntry) -> bool:
    if not locate(inspection.layout, entry.stored.start):
        return False
    found = digests_of(inspection.layout, inspection.image, entry.stored)
    return (found.crc32, found.sha256) == (entry.crc32, entry.sha256)


def _blocks(memory: Memory, spans: Iterable[Span]) -> Iterator[Span]:
    """The blocks of a memory that ``spans`` are in, each once where they do not overlap."""
    unit = memory.erase_block or DEFAULT_BLOCK
    size = unit * -(-MIN_BLOCK // unit)
    end = memory.start
    for span in merge(spans):
        part = span.intersection(memory.span)
        start = max(end, memory.start + align_down(part.start - memory.start, size))
        while part.size and start < part.end:
            end = min(start + size, memory.span.end)
            yield Span.from_bounds(start, end)
            start = end


class SetAside(NamedTuple):
    """Bytes of a dump that are no image's, and why."""

    span: Span
    reason: str


def image_in(layout: Layout, dump: SparseBytes) -> tuple[SparseBytes, tuple[SetAside, ...]]:
    """The bytes that an image could have put there, and those set aside; ``dump`` is not changed.

    Set aside are areas of purpose reserved and settings, areas of purpose data in flash that no build, stamp or
    checksum goes to, and all that is in no flash or rom memory; what is erased there is not listed.
    """
    image = dump.copy()
    found = []
    for each in _foreign(layout):
        held = image.held_in(each.span)
        if any(_is_programmed(layout, image, span) for span in held):
            found.append(each._replace(span=Span.from_bounds(held[0].start, held[-1].end)))
            image.erase(each.span)
    return image, tuple(found)


def _is_programmed(layout: Layout, image: SparseBytes, span: Span) -> bool:
    """Whether ``span`` has a byte other than the erased one of its memory; outside of all memories every byte is."""
    erased = next((each.erased_byte for each in layout.memories.values() if each.span.covers(span)), None)
    return erased is None or any(bytes(piece).strip(bytes((erased,))) for _, piece in image.pieces(span))


def _foreign(layout: Layout) -> Iterator[SetAside]:
    for area in layout.areas.values():
        if layout.memories[area.memory].holds_image and (reason := _why_aside(layout, area)):
            yield SetAside(layout.span_of(area.name), f"area {area.name}: {reason}")
    memories = merge(each.span for each in layout.memories.values() if each.holds_image)
    for outside in without([Span(0, ADDRESS_SPACE)], memories):
        yield SetAside(outside, "no flash or rom memory of the layout")


def _why_aside(layout: Layout, area: Area) -> str:
    if area.purpose == "settings":
        return "the device writes there"
    if area.purpose in LEFT_ALONE:
        return "the device has it from elsewhere"
    if area.purpose != "data" or _is_written(layout, area.name):
        return ""
    return "of purpose data, and no build, stamp or checksum goes there"


def _is_written(layout: Layout, area: str) -> bool:
    """Whether a join writes into an area."""
    if any(area in (build.stored_in, *build.also_stored_in) for build in layout.builds.values()):
        return True
    span = layout.span_of(area)
    places = [*(each.at for each in layout.stamps), *(each.at for each in layout.checksums)]
    return any(
        span.holds(place) if isinstance(place, int) else getattr(place, "area", None) == area
        for place in places
    )
