"""``extension-demands-fit-core``: DSP, vectors, division and the like in build attributes against cores."""

from __future__ import annotations

import pytest
from builds.elf_writer import SegmentSpec, elf
from capability_builds import applied
from gauge_builds import ARRANGEMENTS, gauge, gauge_builds
from small_device import SAMPLER, STATION, apply, findings, joined, layout
from small_device import build as build_of

RULE = "extension-demands-fit-core"
IMAGE = joined().image
UNALIGNED, DIVISION, DSP, MVE, PAC, VIRTUALIZATION = 34, 44, 46, 48, 50, 68
"""Tags of ADDENDA32 2025Q4."""
MAINLINE = {6: 17}


def _apply(attributes, architecture="armv8-m.main", extensions=()):
    """The station compiled with ``attributes`` for a core of ``architecture`` with ``extensions``."""
    text = ", ".join(f'"{each}"' for each in extensions)
    read = layout(
        {
            'role = "primary"\narchitecture = "armv8-m.main"\nextensions = ["security"]': 'role = "primary"\n'
            f'architecture = "{architecture}"\nextensions = [{text}]'
        }
    )
    handed = {
        name: build_of(name, elf([SegmentSpec(start, b"\1" * 64)], attributes=values))
        for name, start, values in (("station", STATION, attributes), ("sampler", SAMPLER, MAINLINE))
    }
    return apply(RULE, read, IMAGE, handed)


BREAKS = {
    "compiled for DSP": lambda: applied(RULE, sampler="sampler-dsp"),
    "compiled for vectors": lambda: applied(RULE, sampler="sampler-vector"),
    "floating-point vectors on integer ones": lambda: _apply(
        {6: 21, MVE: 2}, "armv8.1-m.main", ("mve", "fp-double")
    ),
    "division on Armv6-M": lambda: _apply({6: 11, DIVISION: 2}, "armv6-m"),
    "unaligned accesses on Armv6-M": lambda: _apply({6: 11, UNALIGNED: 1}, "armv6-m"),
    "unaligned accesses on Baseline": lambda: _apply({6: 16, UNALIGNED: 1}, "armv8-m.base"),
    "pointer authentication outside the NOP space": lambda: _apply(MAINLINE | {PAC: 2}),
    "security": lambda: _apply(MAINLINE | {VIRTUALIZATION: 1}),
    "virtualization": lambda: _apply(MAINLINE | {VIRTUALIZATION: 2}, extensions=("security",)),
}

KEEPS = {
    "none": lambda: applied(RULE),
    "DSP": lambda: applied(RULE, sampler="sampler-dsp", replace={"extensions = []": 'extensions = ["dsp"]'}),
    "DSP of Armv7E-M": lambda: _apply({6: 13, DSP: 1}, "armv7e-m"),
    "vectors, which include DSP": lambda: _apply({6: 21, DSP: 1, MVE: 1}, "armv8.1-m.main", ("mve",)),
    "floating-point vectors": lambda: _apply({6: 21, MVE: 2}, "armv8.1-m.main", ("mve-fp",)),
    "division where the architecture has it": lambda: _apply({6: 16, DIVISION: 2}, "armv8-m.base"),
    "unaligned accesses": lambda: _apply({6: 10, UNALIGNED: 1}, "armv7-m"),
    "pointer authentication in the NOP space": lambda: _apply(MAINLINE | {PAC: 1}),
    "security": lambda: _apply(MAINLINE | {VIRTUALIZATION: 1}, extensions=("security",)),
    **{
        f"the tide gauge, {name}": lambda name=name: apply(RULE, gauge(name), IMAGE, gauge_builds(name))
        for name in ARRANGEMENTS
    },
}


@pytest.mark.parametrize("value", [0, 1])
def test_division_as_the_architecture_has_it_demands_nothing(value: int) -> None:
    """Tag_DIV_use 0 and 1 ask for no option (ADDENDA32, Tag_DIV_use)."""
    assert _apply({6: 11, DIVISION: value}, "armv6-m").status == "holds"


def test_each_demand_has_a_finding_of_its_own() -> None:
    """Vectors and DSP, both demanded by the compiler's mve, are told apart."""
    found = [finding.found for finding in findings(BREAKS["compiled for vectors"]())]
    assert len(found) == 2
    assert "Tag_DSP_extension" in found[0]
    assert "Tag_MVE_arch" in found[1]
