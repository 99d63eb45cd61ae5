"""The builds of ``testdata/verdict``: sound but unusual ones break no rule, and one fault gives its findings."""

from __future__ import annotations

import pytest
from verdict_builds import ARCHITECTURES, BUILT, broken_in, judged

SOUND: tuple[tuple[str, ...], ...] = (
    (),
    ("station-tables", "sampler-tables"),
    # the primary clears or initialises what is shared before the release
    ("station-link-cleared",),
    ("station-link-initialised",),
    # gaps that the plain binary of the second build fills with 0x00 or 0xFF
    ("station-embeds-zeros", "sampler-gaps"),
    ("station-embeds-ones", "sampler-gaps"),
    # two phases of code at one run address, copied in turn
    ("station-overlays",),
    # what is shared in no segment, and no program headers in the script
    ("station-link-none",),
    ("station-no-phdrs", "sampler-nmagic"),
    # a handler that skips a prologue by design, and a table set by the code
    ("sampler-entries",),
    ("sampler-isr",),
    ("sampler-vtor",),
)
"""Files in which nothing is wrong, each with the sound build of the other core."""

NOT_COPIED = {"initialised-data-copied": 1}
NOT_CLEARED = {"cleared-data-cleared-whole": 1}
FAULTS: dict[str, dict[str, int]] = {
    # allocated sections in no segment, over the other core's data
    "sampler-extra-none": {"ram-claims-in-own-areas": 1},
    "sampler-extra-orphan": {"ram-claims-in-own-areas": 1},
    # cleared and copied data
    "sampler-bss-orphans": NOT_CLEARED,
    "sampler-bss-end-early": NOT_CLEARED,
    "sampler-bss-nothing": NOT_CLEARED,
    "sampler-link-cleared": {"start-clears-own-ram": 1},
    "station-data-empty": NOT_COPIED,
    "station-data-end-early": NOT_COPIED,
    "sampler-table-empty": NOT_COPIED,
}
"""For each faulty build the rules that it breaks, with the number of findings."""


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize("files", SOUND, ids=" ".join)
def test_sound_builds_break_no_rule(files: tuple[str, ...], family: str) -> None:
    """No rule has anything to say of a sound pair, be it as a note."""
    assert broken_in(judged(family, files)) == {}


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize("file", FAULTS)
def test_one_fault_gives_exactly_its_findings(file: str, family: str) -> None:
    """Of all rules only those that belong to the fault have findings, and as many as belong to it."""
    assert broken_in(judged(family, (file,))) == FAULTS[file]


def test_every_build_is_in_a_table() -> None:
    """No committed ELF file is left out."""
    listed = {"station", "sampler", *FAULTS, *(file for files in SOUND for file in files)}
    assert {path.stem.rsplit("-", 1)[0] for path in BUILT.glob("*.elf")} == listed
