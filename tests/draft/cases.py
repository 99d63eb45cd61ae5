"""Builds that drafts are made of in these tests: real ones, small ones, HEX files of both, odd ones."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

from capability_builds import capability_builds
from gauge_builds import ARRANGEMENTS, gauge_builds
from small_device import TODAY, builds

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.runner import RulesApplied, check
from gemel.draft.document import document
from gemel.draft.drafting import draft
from gemel.image.intel_hex import encode
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.model import Layout
from gemel.layout.reader import read_layout
from gemel.structs import replace

TESTDATA = Path(__file__).resolve().parents[2] / "testdata"
Builds = dict[str, Build]


def as_hex(build: Build) -> Build:
    """The same bytes as an Intel HEX file, which tells nothing else."""
    image = SparseBytes()
    for segment in build.stored:
        image.write(segment.load_address, segment.data)
    file = f"{build.name}.hex"
    return read_build(BytesSource(b"".join(encode(image)), file), name=build.name, file=file)


def _hexes(made: Builds) -> Builds:
    return {name: as_hex(build) for name, build in made.items()}


def _staying(build: Build) -> Build:
    """The build with handlers that branch to themselves: those of the small device run off their ends."""
    first, *others = build.segments
    data = bytearray(first.data)
    for word in struct.unpack_from("<15I", data, 4):
        if word & 1:
            at = word - 1 - first.run_address
            data[at : at + 2] = b"\xfe\xe7"
    return replace(build, segments=(replace(first, data=bytes(data)), *others))


def _without_place(build: Build) -> Build:
    """The build as if linked for RAM without load addresses."""
    moved = tuple(replace(segment, load_address=segment.run_address) for segment in build.segments)
    return replace(build, segments=moved)


def _homeless(arrangement: str = "copied") -> Builds:
    made = gauge_builds(arrangement)
    return {**made, "sampler": _without_place(made["sampler"])}


def _renamed(made: Builds, **names: str) -> Builds:
    return {names[name]: replace(build, name=names[name]) for name, build in made.items()}


def _rehearsal(sampler: str = "sampler", station: str = "station") -> Builds:
    folder = TESTDATA / "ram-and-start" / "built"
    files = {"station": f"{station}.elf", "sampler": f"{sampler}.elf"}
    return {
        name: read_build(BytesSource((folder / file).read_bytes(), file), name=name, file=file)
        for name, file in files.items()
    }


SOUND: dict[str, Callable[[], Builds]] = {
    **{name: lambda name=name: gauge_builds(name) for name in ARRANGEMENTS},
    **{f"{name}, HEX": lambda name=name: _hexes(gauge_builds(name)) for name in ARRANGEMENTS},
    "small device": lambda: builds(),
    "small device, HEX": lambda: _hexes({name: _staying(build) for name, build in builds().items()}),
    "RAM and start": lambda: _rehearsal(),
    "named the other way round": lambda: dict(reversed(gauge_builds("copied").items())),
    "ELF and HEX": lambda: {**gauge_builds(), "sampler": as_hex(gauge_builds()["sampler"])},
    "copied, ELF and HEX": lambda: {
        **gauge_builds("copied"),
        "sampler": as_hex(gauge_builds("copied")["sampler"]),
    },
    "a copy inside": lambda: gauge_builds(station="station-embedding"),
    "no place in flash": lambda: _homeless(),
    "no place in flash, alone": lambda: {"sampler": _homeless()["sampler"]},
    "one build": lambda: {"station": gauge_builds("copied")["station"]},
    "long names": lambda: _renamed(gauge_builds("copied"), station="a" * 23, sampler="a" * 22 + "b"),
    "security": lambda: capability_builds("security"),
    "security, the other way round": lambda: dict(reversed(capability_builds("security").items())),
    "security, the secure one alone": lambda: {"keeper": capability_builds("security")["keeper"]},
    "security, the non-secure one alone": lambda: {"caller": capability_builds("security")["caller"]},
    "three builds": lambda: {
        **gauge_builds("in-place"),
        **_renamed({"sampler": gauge_builds("two-banks")["sampler"]}, sampler="pump"),
    },
}
"""Builds that fit together: their drafts join, and no rule is broken."""


def text_of(made: Builds, paths: dict[str, str] | None = None) -> str:
    """The draft's text."""
    return document(draft(made), paths or {})


def layout_of(made: Builds) -> Layout:
    """The draft as the reader reads it."""
    return read_layout(text_of(made).encode(), "draft.toml").layout


def checked(made: Builds, disassemble: bool = False) -> RulesApplied:
    """Join with the draft as it stands, and check the image."""
    read = read_layout(text_of(made).encode(), "draft.toml")
    return check(Inspection(read, join(read, made).image, made, disassemble=disassemble), TODAY)
