"""Rehearsals for tests: of the tide gauge's arrangements and of the small device in testdata/rehearsal."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from tide_gauge import BUILT, ROOT, layout_file

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.image.sparse import SparseBytes
from gemel.joining.pipeline import join
from gemel.layout.reader import ReadLayout, read_layout
from gemel.rehearsal.result import Rehearsal
from gemel.rehearsal.session import RehearsalOptions, rehearse

DEVICE = ROOT / "testdata" / "rehearsal"
CORES = ("station", "sampler")
SERIAL = {"in-place": 0x5020_0000, "copied": 0x5020_0000, "two-banks": 0x4002_0000}
"""Data register of each arrangement's serial port (SERIAL_BASE in its device.h)."""

GOAL = '\n[[rehearsal.goal]]\ncore = "station"\ntext = "tide gauge: done"\n'


class Case:
    """A layout, an image, builds: what a rehearsal takes."""

    def __init__(self, text: str, elves: Mapping[str, bytes], file: str = "layout.toml") -> None:
        self.elves = elves
        self.read: ReadLayout = read_layout(text.encode(), file)
        self.sources = {name: BytesSource(data, name) for name, data in elves.items()}
        self.builds: dict[str, Build] = {
            name: read_build(source, name=name, file=f"{name}.elf") for name, source in self.sources.items()
        }
        self.image: SparseBytes = join(self.read, self.builds).image

    def rehearse(self, *, with_builds: bool = True, **options: Any) -> Rehearsal:
        """The rehearsal, in this process unless ``isolate`` says otherwise."""
        options.setdefault("isolate", False)
        builds, sources = (self.builds, self.sources) if with_builds else ({}, {})
        return rehearse(self.read, self.image, builds, RehearsalOptions(**options), sources)


@cache
def gauge(
    arrangement: str, station: str = "station", sampler: str = "sampler", with_table: bool = True
) -> Case:
    """The tide gauge; ``with_table`` adds a rehearsal table: its serial port and its last words as goal."""
    text = layout_file(arrangement).read_text(encoding="utf-8").split("\n[rehearsal]")[0]
    if with_table:
        text += f"\n[[rehearsal.serial]]\nat = {SERIAL[arrangement]:#x}\n"
        text += GOAL
    folder = BUILT / arrangement
    elves = {
        name: (folder / f"{file}.elf").read_bytes()
        for name, file in zip(CORES, (station, sampler), strict=True)
    }
    return Case(text, elves)


def device_text(replace: Mapping[str, str] | None = None) -> str:
    """The small device's layout with pieces of its text replaced; each must be there."""
    text = (DEVICE / "rehearsal.toml").read_text(encoding="utf-8")
    for old, new in (replace or {}).items():
        if old not in text:
            raise KeyError(f"not in the layout: {old!r}")
        text = text.replace(old, new)
    return text


def device(station: str = "none", sampler: str = "none", replace: Mapping[str, str] | None = None) -> Case:
    """The small device with builds of these faults."""
    names = dict(zip(CORES, (station, sampler), strict=True))
    elves = {name: elf(f"{name}-{fault}") for name, fault in names.items()}
    return Case(device_text(replace), elves)


def elf(name: str) -> bytes:
    """A committed ELF file of the small device."""
    return Path(DEVICE / "built" / f"{name}.elf").read_bytes()


def kinds(rehearsal: Rehearsal) -> list[tuple[str, str]]:
    """The findings as (kind, core)."""
    return [(finding.kind, finding.core) for finding in rehearsal.findings]
