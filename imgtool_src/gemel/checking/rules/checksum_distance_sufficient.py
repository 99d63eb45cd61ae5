"""Rule ``checksum-distance-sufficient``: a CRC covers no more bytes than it usually protects."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.checksum_distance import distance_outcomes
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.outcomes import Outcome


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each checksum for which the layout requires no distance."""
    yield from distance_outcomes(inspection, asked=False)


RULE = Rule(
    name="checksum-distance-sufficient",
    severity="note",
    guards="device",
    checks="Each CRC for which the layout requires no distance keeps a Hamming distance of 4, or of 2 below 24 bits, "
    "over all the bytes that it covers.",
    why="A CRC finds every pattern of fewer wrong bits than its distance, and the more it covers, the lower "
    "that is: three or four cells that lose their charge can then leave the CRC right, and the device starts "
    "code that is not what was released.",
    remedy="Use a CRC that keeps the distance over more bytes, split the range, or state in the layout, as "
    "hamming_distance, what is enough for this flash.",
    source='"32-Bit Cyclic Redundancy Codes for Internet Applications", International Conference on '
    "Dependable Systems and Networks, 2002 (title and year from memory); every bound recomputed",
    absent="the layout declares no checksum without a hamming_distance",
    check=check,
    only_with="checksums",
)
