"""``veneers-lead-to-entries``: the bytes of gateways against the functions they stand for."""

from __future__ import annotations

import subprocess

import pytest
from capability_builds import BUILT, applied, capability_build, capability_builds, device, image_of
from elf_writer import SegmentSpec, SymbolSpec, elf
from small_device import apply, findings
from small_device import build as build_of
from tools import required_tool

from gemel.inspection.cores.secure_builds import gateways_of

RULE = "veneers-lead-to-entries"
SG = bytes.fromhex("7fe97fe9")
TO_ENTRY = bytes.fromhex("f8f754b8")
"""B.W from 0x1000_8004 to 0x1000_00B0, as the linker of testdata/capabilities made it."""
VENEERS, ENTRY = 0x1000_8000, 0x1000_00B0


def _keeper(veneer: bytes, symbols=("keeper_add", "__acle_se_keeper_add"), gateway=VENEERS):
    """A keeper with one gateway of these bytes; the image is that of the sound pair."""
    names = {"keeper_add": gateway | 1, "__acle_se_keeper_add": ENTRY | 1}
    data = elf(
        [SegmentSpec(0x1000_0000, b"\0" * 0xF0), SegmentSpec(VENEERS, veneer)],
        symbols=[SymbolSpec(name, names[name], 8) for name in symbols],
    )
    read, sound = device("security"), capability_builds("security")
    return apply(RULE, read, image_of(read, sound), sound | {"keeper": build_of("keeper", data)})


BREAKS = {
    "veneers of an older link": lambda: applied(RULE, "security", keeper="keeper-stale-veneers"),
    "no SG": lambda: _keeper(b"\0" * 4 + TO_ENTRY),
    "no branch": lambda: _keeper(SG + b"\0" * 4),
    "a call instead of a branch": lambda: _keeper(SG + bytes.fromhex("f8f754f8")),
    "nothing stored there": lambda: _keeper(SG + TO_ENTRY, gateway=VENEERS + 0x100),
    "no gateway at all": lambda: _keeper(SG + TO_ENTRY, symbols=("__acle_se_keeper_add",)),
    "the function itself instead of a gateway": lambda: _keeper(SG + TO_ENTRY, gateway=ENTRY),
}

KEEPS = {
    "as linked": lambda: applied(RULE, "security"),
    "written by hand": lambda: _keeper(SG + TO_ENTRY),
    "outside their area, another rule's matter": lambda: applied(
        RULE, "security", keeper="keeper-veneers-outside", caller="caller-veneers-outside"
    ),
}


@pytest.mark.parametrize("keeper", ["keeper", "keeper-veneers-outside", "keeper-stale-veneers"])
def test_gateways_are_those_that_nm_lists(keeper: str) -> None:
    """Names, gateways and entries are what binutils' nm says of the same file."""
    listed = subprocess.run(
        [required_tool("arm-none-eabi-nm"), str(BUILT / f"{keeper}.elf")],
        capture_output=True,
        text=True,
        check=True,
    )
    symbols = {name: int(value, 16) for value, _, name in map(str.split, listed.stdout.splitlines())}
    expected = sorted(
        (symbols[name.removeprefix("__acle_se_")], name.removeprefix("__acle_se_"), value)
        for name, value in symbols.items()
        if name.startswith("__acle_se_")
    )
    found = [
        (each.address, each.name, each.entry) for each in gateways_of(capability_build("keeper", keeper))
    ]
    assert found == expected
    assert len(found) == 2


def test_a_wrong_branch_says_where_it_leads() -> None:
    """A branch into the middle of a function is told with function and offset, and so is the right one."""
    first = findings(BREAKS["veneers of an older link"]())[0]
    assert first.found == "a branch to 0x1000_00BC (__acle_se_keeper_add + 12)"
    assert first.expected == "a branch (B.W) to __acle_se_keeper_add at 0x1000_00B0"
