"""The small builds of ``testdata/ram-and-start``: two sound pairs, and builds with one fault each."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path

from small_device import TODAY

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.registry import rule_named
from gemel.checking.runner import RuleResult, RulesApplied, check
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import ReadLayout, read_layout

FOLDER = Path(__file__).resolve().parents[2] / "testdata" / "ram-and-start"
BUILT = FOLDER / "built"
SOUND = {"in-place": ("station", "sampler"), "copied": ("copying-station", "copied-sampler")}
"""The builds of each arrangement in which nothing is wrong."""
SOUND_TOO = ("sampler-stack-in-segment", "station-link-cleared")
"""Further builds in which nothing is wrong; each goes with the sound build of the other core."""


@cache
def layout_of(arrangement: str, *changes: tuple[str, str]) -> ReadLayout:
    """The layout of one arrangement, with pieces of its text replaced (each must be there)."""
    file = FOLDER / f"{arrangement}.toml"
    text = file.read_text(encoding="utf-8")
    for old, new in changes:
        if old not in text:
            raise KeyError(f"not in the layout: {old!r}")
        text = text.replace(old, new)
    return read_layout(text.encode(), file.name)


@cache
def build_of(name: str, file: str) -> Build:
    """One of the committed ELF files, as the build ``name``."""
    data = (BUILT / f"{file}.elf").read_bytes()
    return read_build(BytesSource(data, f"{file}.elf"), name=name, file=f"{file}.elf")


def pair_with(file: str) -> tuple[str, dict[str, Build]]:
    """The arrangement a file belongs to, and the file with the sound build of the other core."""
    arrangement = "copied" if file.startswith(("copying-", "copied-")) else "in-place"
    station, sampler = SOUND[arrangement]
    if file.removeprefix("copying-").startswith("station"):
        station = file
    else:
        sampler = file
    return arrangement, {"station": build_of("station", station), "sampler": build_of("sampler", sampler)}


@cache
def _joined(arrangement: str, file: str, *changes: tuple[str, str]) -> SparseBytes:
    return join(layout_of(arrangement, *changes), pair_with(file)[1]).image


def subject_of(
    file: str, *changes: tuple[str, str], handed: tuple[str, ...] = ("station", "sampler")
) -> Inspection:
    """The image of ``file`` and the other core's sound build, with the builds in ``handed`` at hand."""
    arrangement, builds = pair_with(file)
    read = layout_of(arrangement, *changes)
    image = _joined(arrangement, file, *changes)
    return Inspection(read, image, {name: builds[name] for name in handed})


def of(
    rule: str, file: str, *changes: tuple[str, str], handed: tuple[str, ...] = ("station", "sampler")
) -> RuleResult:
    """What one rule says of that image."""
    found = rule_named(rule)
    if found is None:
        raise KeyError(f"no rule {rule}")
    return check(subject_of(file, *changes, handed=handed), TODAY, [found]).results[0]


def all_of(file: str, *changes: tuple[str, str]) -> RulesApplied:
    """What all rules say of it."""
    return check(subject_of(file, *changes), TODAY)


def broken_in(result: RulesApplied) -> Mapping[str, int]:
    """The number of findings of each rule that has any."""
    return {each.rule.name: len(each.findings) for each in result.results if each.findings}
