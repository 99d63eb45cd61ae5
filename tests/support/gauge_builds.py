"""The tide gauge's layouts and ELF files as gemel reads them, for tests of joins and rules."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.layout.reader import ReadLayout, read_layout

ROOT = Path(__file__).resolve().parents[2]
BUILT = ROOT / "testdata" / "tide-gauge" / "built"
ARRANGEMENTS = ("in-place", "copied", "two-banks")


@cache
def gauge(arrangement: str = "in-place") -> ReadLayout:
    """The layout of one arrangement."""
    file = ROOT / "layouts" / f"tide-gauge-{arrangement}.toml"
    return read_layout(file.read_bytes(), file.name)


def gauge_builds(
    arrangement: str = "in-place", station: str = "station", sampler: str = "sampler"
) -> dict[str, Build]:
    """Both builds of one arrangement; ``station`` and ``sampler`` name their files without ``.elf``."""
    files = {"station": f"{station}.elf", "sampler": f"{sampler}.elf"}
    return {
        name: read_build(BytesSource((BUILT / arrangement / file).read_bytes(), file), name=name, file=file)
        for name, file in files.items()
    }
