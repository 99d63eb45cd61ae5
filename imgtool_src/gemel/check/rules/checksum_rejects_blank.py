"""Rule ``checksum-rejects-blank``: flash that was never programmed must not look sound."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.check.rule import Finding, Holds, Outcome, Rule
from gemel.check.subject import Subject
from gemel.errors import GemelError
from gemel.integrity.checksum_algorithms import compute, stored_bytes
from gemel.integrity.checksums import algorithm_of
from gemel.integrity.places import covered_spans
from gemel.layout.model import BuildRange, Checksum

BLOCK = 1 << 20


def check(subject: Subject) -> Iterator[Outcome]:
    """One outcome for each checksum: whether its range would verify if all of it were erased, or zero."""
    for checksum in subject.layout.checksums:
        if any(isinstance(item, BuildRange) for item in (*checksum.over, *checksum.exceptions)):
            size = sum(placed.stored.size for placed in subject.placed.values())
            size = size - size % 4
        else:
            size = sum(span.size for span in covered_spans(subject.layout, checksum, {}))
        yield from _outcomes(subject, checksum, size)


def _outcomes(subject: Subject, checksum: Checksum, size: int) -> Iterator[Outcome]:
    algorithm = algorithm_of(checksum)
    where = f"checksum {checksum.name}"
    sound = True
    erased = {memory.erased_byte for memory in subject.layout.memories.values() if memory.kind == "flash"}
    for byte in sorted(erased | {0x00}):
        blocks = (bytes((byte,)) * min(BLOCK, size - done) for done in range(0, size, BLOCK))
        try:
            value = compute(algorithm, blocks, checksum.feed)
        except GemelError:
            continue
        stored = stored_bytes(algorithm, value, checksum.byte_order)
        if stored == bytes((byte,)) * len(stored):
            sound = False
            state = "erased" if byte in erased else "all zero"
            yield Finding(
                f"checksum {checksum.name} is right over flash that is {state}",
                (checksum.name,),
                f"{where}, {algorithm.name} over {size:,} bytes of 0x{byte:02X}",
                f"value {stored.hex(' ')}, which is what such a place reads",
                "a value that blank flash does not hold",
            )
    if sound:
        yield Holds(where)


RULE = Rule(
    name="checksum-rejects-blank",
    severity="warning",
    checks="Over a range that is all erased, or all zero, each checksum comes out as something else than "
    "what an erased, or zero, place of its own would read.",
    why="A device that was never programmed, or whose programming failed before it began, verifies as sound "
    "and starts what is not there.",
    remedy="Take an algorithm with a start value and final inversion that are not zero, or have boot code "
    "also demand a length or mark that blank flash does not hold.",
    source="the parametrised CRC catalogue, recomputed; common practice",
    absent="the layout declares no checksum",
    check=check,
)
