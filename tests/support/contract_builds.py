"""The committed builds of ``testdata/contract``: two sides of a contract, sound and with one thing wrong."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from gemel.builds.build import Build
from gemel.builds.dwarf.debug_types import DebugTypes
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource

FOLDER = Path(__file__).resolve().parents[2] / "testdata" / "contract"
BUILT = FOLDER / "built"

C_TYPES = (
    "link_ring_t",
    "struct link_frame",
    "struct link_sample",
    "struct link_flags",
    "union link_value",
    "struct link_node",
    "struct link_name",
    "struct link_log",
    "enum link_quality",
    "enum link_trend",
    "enum link_protocol",
)
CPP_TYPES = (
    "link::Frame",
    "link::Stamp",
    "link::Frame::Part",
    "link::Frame::Kind",
    "link::Mode",
    "link::Ring<link::Frame, 4>",
    "link::v2::Inner",
    "link::FrameRing",
)


def path_of(name: str) -> Path:
    """The file of a build, named without its suffix."""
    return BUILT / f"{name}.elf"


def side(name: str, file: str) -> Build:
    """The build ``name`` of the layout (station or sampler), read from a file named without its suffix."""
    path = path_of(file)
    return read_build(BytesSource(path.read_bytes(), path.name), name=name, file=path.name)


def sides(station: str = "station", sampler: str = "sampler") -> dict[str, Build]:
    """Both builds."""
    return {"station": side("station", station), "sampler": side("sampler", sampler)}


@cache
def types_in(file: str) -> DebugTypes:
    """The types in a file's debug information."""
    debug = side("station", file).debug
    if debug is None:
        raise TypeError(f"{file} is no ELF file")
    return debug.types()
