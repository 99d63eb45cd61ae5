"""Rule ``checksum-distance-as-asked``: a CRC keeps the distance that the layout requires."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.checksum_distance import distance_outcomes
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.outcomes import Outcome


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each checksum for which the layout requires a distance."""
    yield from distance_outcomes(inspection, asked=True)


RULE = Rule(
    name="checksum-distance-as-asked",
    severity="warning",
    guards="device",
    checks="Each CRC keeps the Hamming distance that the layout requires (hamming_distance) over all the bytes that "
    "it covers.",
    why="A CRC finds every pattern of fewer wrong bits than its distance, and the more it covers, the lower "
    "that is: three or four cells that lose their charge can then leave the CRC right, and the device starts "
    "code that is not what was released.",
    remedy="Use a CRC that keeps the distance over more bytes, split the range, or state in the layout, as "
    "hamming_distance, what is enough for this flash.",
    source='"32-Bit Cyclic Redundancy Codes for Internet Applications", International Conference on '
    "Dependable Systems and Networks, 2002 (title and year from memory); every bound recomputed",
    absent="the layout declares no checksum with a hamming_distance",
    check=check,
    only_with="checksums",
)
