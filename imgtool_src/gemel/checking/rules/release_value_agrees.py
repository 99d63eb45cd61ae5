"""Rule ``release-value-agrees``: what the primary writes to release a secondary is what the layout says."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.releases_by_code import judged_releases
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.outcomes import Outcome


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each register of a secondary's release that the primary's code writes constants to."""
    return (outcome for outcome, is_certain in judged_releases(inspection) if not is_certain)


RULE = Rule(
    name="release-value-agrees",
    severity="warning",
    guards="device",
    checks="Code of the primary writes the vector register of each secondary, and then its control register; where it "
    "stores constants there, or "
    "sets or clears bits of it, one of these stores leaves the value that the layout says releases that core, with "
    "the key where there is one; where it stores constants to its vector register, or one of a few values by what "
    "a device answers, one of them is the address of its vector table.",
    why="With another value, such as the mask where its complement is expected, or one without the unlock key, the "
    "secondary stays in reset; the primary waits for its first message for ever. With another address it starts from "
    "words that are not vectors.",
    remedy="Write the value of the data sheet, or correct release_mask, release_value or the key in the layout.",
    source="common practice",
    absent="no secondary has a release",
    check=check,
)
