"""Types as gemel reads them are those that independent readers find: GDB, and pahole of the dwarves.

The builds are real compiles of ``testdata/contract`` with everything a compiler lays out in its own way, in
every version of DWARF, with and without type units and compression, in C and C++.
"""

from __future__ import annotations

import re
import subprocess

import pytest
from builds.dwarf.independent_reader import gdb_types, own_type
from contract_builds import BUILT, C_TYPES, CPP_TYPES, path_of, types_in
from gauge_builds import BUILT as GAUGE
from tools import required_tool

WITHOUT_TYPES = {"station-split", "station-no-debug", "station-stripped", "station-debuglink"}
NAMES = sorted(path.stem for path in BUILT.glob("*.elf") if path.stem not in WITHOUT_TYPES)


def test_every_build_is_compared() -> None:
    """The comparison covers every version, both languages and both sides."""
    assert len(NAMES) >= 25
    assert {f"station-dwarf{version}" for version in (2, 3, 4, 5)} <= set(NAMES)
    assert {path.stem for path in BUILT.glob("*.elf")} >= WITHOUT_TYPES


@pytest.mark.parametrize("name", NAMES)
def test_every_member_is_where_gdb_finds_it(name: str) -> None:
    """Sizes, members, bits, encodings, bounds and enumerators equal GDB's, to the innermost type."""
    types = types_in(name)
    asked = CPP_TYPES if name.startswith("cpp") else C_TYPES
    if name == "sampler-initialised":  # it has an array of bytes in its place
        asked = tuple(spelling for spelling in asked if spelling != "struct link_log")
    if name == "sampler-two-layouts":  # of these it has two; GDB takes whichever it meets first
        asked = (
            "link_ring_t",
            "union link_value",
            "struct link_flags",
            "struct link_node",
            "struct link_log",
        )
    # GDB 13 does not find C++ names in type units; the same sources without them say what must be there.
    theirs = gdb_types(path_of(name.removesuffix("-types")), asked)
    for spelling in asked:
        references = types.named(spelling)
        assert references, spelling
        assert own_type(types, references[0]) == theirs[spelling], spelling


PAHOLE_LINE = re.compile(
    r"(\w+)?(?:\[[^;]*)?(?:\)\([^;]*\))?(?::\d+)?(?:\s__attribute__\S+)?;\s*/\*\s*(\d+)(?::\s*(\d+))?\s+(\d+)\s*\*/"
)


@pytest.mark.parametrize("name", ["station-dwarf2", "station-dwarf3", "station-dwarf4", "station-dwarf5"])
@pytest.mark.parametrize("spelling", ["link_sample", "link_flags", "link_node", "link_name"])
def test_every_member_is_where_pahole_finds_it(name: str, spelling: str) -> None:
    """Offset, bit and size of every member equal what pahole prints, and so does the size of the whole."""
    printed = subprocess.run(
        [required_tool("pahole"), "-C", spelling, str(path_of(name))],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    theirs = [
        (member, int(byte), int(bit) if bit else None)
        for member, byte, bit, _ in PAHOLE_LINE.findall(printed)
        if member
    ]
    types = types_in(name)
    (reference, *_) = types.named(f"struct {spelling}")
    record = types.type_at(reference)
    ours = [
        (member.name, *_in_storage_unit(types.size_of(member.type) or 0, member.bit or 0, member.bits))
        for member in record.members  # type: ignore[union-attr]
    ]
    assert ours == theirs
    assert f"/* size: {types.size_of(reference)}," in printed


def _in_storage_unit(size: int, bit: int, bits: int | None) -> tuple[int, int | None]:
    """Byte and bit as pahole writes them: a bit field counts from a unit of its type's size."""
    if bits is None:
        return bit // 8, None
    unit = bit // (8 * size) * size
    return unit, bit - 8 * unit


@pytest.mark.parametrize("arrangement", ["in-place", "copied", "two-banks"])
def test_the_gauge_s_types_are_those_that_gdb_finds(arrangement: str) -> None:
    """The types of the tide gauge, both cores, equal GDB's."""
    from gemel.builds.reader import read_build
    from gemel.builds.source import BytesSource

    for core in ("station", "sampler"):
        path = GAUGE / arrangement / f"{core}.elf"
        build = read_build(BytesSource(path.read_bytes()), name=core, file=path.name)
        assert build.debug is not None
        types = build.debug.types()
        names = ("struct link_frame", "struct link_area", "enum link_quality")
        theirs = gdb_types(path, names)
        for name in names:
            for reference in types.named(name):
                assert own_type(types, reference) == theirs[name]
