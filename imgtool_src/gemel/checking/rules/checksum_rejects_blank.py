"""Rule ``checksum-rejects-blank``: flash that was never programmed must not look sound."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.checksums.algorithms import stored_size
from gemel.checksums.crc_strength import blank_range_verifies
from gemel.checksums.in_layout import algorithm_of
from gemel.errors import GemelError
from gemel.inspection.checksum_ranges import known_coverage
from gemel.inspection.inspection import Inspection
from gemel.layout.model import Checksum
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import format_size


def check(inspection: Inspection) -> Iterator[Outcome]:
    """For each checksum: whether its range would verify if all of it, its own place too, were one byte."""
    for checksum in inspection.layout.checksums:
        covered = known_coverage(inspection, checksum)
        if isinstance(covered, str):
            yield NotChecked(f"checksum {checksum.name}", covered)
            continue
        try:
            yield from _outcomes(inspection, checksum, sum(span.size for span in covered))
        except GemelError as error:
            problem = error.problems[0]
            yield NotChecked(f"checksum {checksum.name}", f"{problem.what}: {problem.found}")


def _outcomes(inspection: Inspection, checksum: Checksum, size: int) -> Iterator[Outcome]:
    algorithm = algorithm_of(checksum)
    where = f"checksum {checksum.name}"
    memories = inspection.layout.memories.values()
    erased = {memory.erased_byte for memory in memories if memory.kind == "flash"}
    blank = [byte for byte in sorted(erased | {0x00}) if blank_range_verifies(algorithm, size, byte)]
    for byte in blank:
        stored = bytes((byte,) * stored_size(algorithm)).hex(" ")
        state = "erased" if byte in erased else "all zero"
        yield Finding(
            f"checksum {checksum.name} is right over flash that is {state}",
            (checksum.name,),
            where=f"{where}, {algorithm.name} over {format_size(size)} of 0x{byte:02X}",
            found=f"value {stored}, which is what its place reads then",
            expected="a value that blank flash does not hold",
        )
    if not blank:
        yield Holds(where)


RULE = Rule(
    name="checksum-rejects-blank",
    severity="warning",
    guards="device",
    checks="Over a range that is all erased, or all zero, no checksum equals what its own place reads when that is "
    "erased, or zero.",
    why="A device that was never programmed, or whose programming failed before it began, verifies as sound "
    "and starts what is not there.",
    remedy="Use an algorithm with a start value and final inversion that are not zero, or have boot code "
    "also demand a length or mark that blank flash does not hold.",
    source="the parametrised CRC catalogue, recomputed; common practice",
    absent="the layout declares no checksum",
    check=check,
    only_with="checksums",
)
