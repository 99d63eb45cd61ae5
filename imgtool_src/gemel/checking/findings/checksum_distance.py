"""Over how many bytes a CRC keeps which Hamming distance: for the two rules about it."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checksums.algorithms import CrcAlgorithm
from gemel.checksums.crc_catalogue import CrcParameters
from gemel.checksums.crc_strength import Strength, better_algorithm, covered_at_most, guaranteed_distance
from gemel.checksums.in_layout import algorithm_of
from gemel.inspection.checksum_ranges import known_coverage
from gemel.inspection.inspection import Inspection
from gemel.layout.model import Checksum
from gemel.outcomes import DoesNotApply, Finding, Holds, NotChecked, Outcome
from gemel.spans import format_size

WIDE = 24
"""Bits from which on a CRC is to have a distance of 4 where the layout requires none; below it is 2."""


def distance_outcomes(inspection: Inspection, *, asked: bool) -> Iterator[Outcome]:
    """One outcome for each checksum for which the layout requires a distance (``asked``) or requires none."""
    for checksum in inspection.layout.checksums:
        if (checksum.hamming_distance is not None) == asked:
            yield _outcome(inspection, checksum)


def _outcome(inspection: Inspection, checksum: Checksum) -> Outcome:
    where = f"checksum {checksum.name}"
    algorithm = algorithm_of(checksum)
    if not isinstance(algorithm, CrcAlgorithm):
        reason = f"{algorithm.name} is no CRC: it keeps no distance beyond 2, whatever it covers"
        return NotChecked(where, reason) if checksum.hamming_distance else DoesNotApply(where, reason)
    covered = known_coverage(inspection, checksum)
    if isinstance(covered, str):
        return NotChecked(where, covered)
    size = sum(span.size for span in covered)
    strength = guaranteed_distance(algorithm.parameters, size)
    if strength is None:
        reason = f"no bound is known for the polynomial of {algorithm.name} over {format_size(size)}"
        return NotChecked(where, reason)
    wanted = wanted_distance(checksum, algorithm.bits)
    if strength.distance >= wanted:
        return Holds(f"{where}, distance {strength.distance} over {format_size(size)}")
    return _finding(checksum, algorithm, size, strength, wanted)


def wanted_distance(checksum: Checksum, bits: int) -> int:
    """The Hamming distance that the layout requires, or what is asked of a CRC of that width by itself."""
    return checksum.hamming_distance or (4 if bits >= WIDE else 2)


def _finding(
    checksum: Checksum, algorithm: CrcAlgorithm, size: int, strength: Strength, wanted: int
) -> Finding:
    stated = "hamming_distance of the layout" if checksum.hamming_distance else f"for {algorithm.bits} bits"
    return Finding(
        f"checksum {checksum.name} covers more bytes than it protects at distance {wanted}",
        (checksum.name,),
        where=f"checksum {checksum.name}, {algorithm.name} over {format_size(size)}",
        found=f"distance {strength.distance}: every pattern of {_errors(strength.distance)} is found",
        expected=f"distance {wanted} ({stated}): every pattern of {_errors(wanted)}",
        lines=tuple(_ways_out(algorithm.parameters, size, strength, wanted)),
    )


def _errors(distance: int) -> str:
    return "1 wrong bit" if distance == 2 else f"up to {distance - 1} wrong bits"


def _ways_out(parameters: CrcParameters, size: int, strength: Strength, wanted: int) -> Iterator[str]:
    if most := covered_at_most(parameters, wanted):
        yield f"this CRC has distance {wanted} over at most {format_size(most)}"
    else:
        yield f"this CRC has distance {wanted} over no length"
    if better := better_algorithm(parameters, size, wanted):
        yield f"{better} has distance {wanted} over {format_size(size)}"
    else:
        yield "no CRC of the catalogue has it over so many bytes: split the range, each part with its own CRC"
    yield f"or hamming_distance = {strength.distance} in the layout, if that is enough"
