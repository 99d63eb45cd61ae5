"""The built-in example: a harbour tide gauge of two cores, with its builds, layout and faulty builds."""

from __future__ import annotations

from pathlib import Path

LAYOUT = "tide-gauge.toml"
BUILDS = ("station.elf", "sampler.elf")
FAULTY = "sampler-misplaced.elf"
FAULTY_START = "station-behind-header.elf"

SOURCES = {
    LAYOUT: "layouts/tide-gauge-in-place.toml",
    **{name: f"testdata/tide-gauge/built/in-place/{name}" for name in (*BUILDS, FAULTY, FAULTY_START)},
}
"""Each file of the demo and where the repository keeps it; a wheel carries them next to this module."""


def demo_files() -> dict[str, bytes]:
    """The files of the demo by name.

    In an installed package they are in this folder; in a source tree, where they are made.
    Raises FileNotFoundError when they are in neither.
    """
    here = Path(__file__).parent
    repository = here.parents[2]
    found = {}
    for name, source in SOURCES.items():
        carried = here / name
        found[name] = (carried if carried.is_file() else repository / source).read_bytes()
    return found
