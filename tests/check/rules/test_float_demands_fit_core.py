"""``float-demands-fit-core``: floating point in build attributes against the cores' units."""

from __future__ import annotations

import pytest
from builds.elf_writer import SegmentSpec, elf
from capability_builds import applied
from gauge_builds import ARRANGEMENTS, gauge, gauge_builds
from small_device import SAMPLER, STATION, apply, findings, joined, layout
from small_device import build as build_of

RULE = "float-demands-fit-core"
IMAGE = joined().image
FP_ARCH, SIMD, HARD_FP_USE, FP_ARGS, NO_DEFAULTS = 10, 12, 27, 28, 64
"""Tags of ADDENDA32 2025Q4."""
FPV4_D16, FP_ARMV8, FP_ARMV8_D16 = 6, 7, 8
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
    "hard float": lambda: applied(RULE, sampler="sampler-hard-float"),
    "floating point inside, soft-float calls": lambda: applied(RULE, sampler="sampler-softfp"),
    "double precision on a core with single": lambda: applied(
        RULE, sampler="sampler-double", replace={"extensions = []": 'extensions = ["fp"]'}
    ),
    "a unit of the application profile": lambda: _apply(
        MAINLINE | {FP_ARCH: FP_ARMV8}, extensions=("fp-double",)
    ),
    "Advanced SIMD": lambda: _apply(MAINLINE | {SIMD: 1}, extensions=("fp-double",)),
    "arguments in registers that are not there": lambda: _apply(MAINLINE | {FP_ARGS: 1}),
}

KEEPS = {
    "no floating point": lambda: applied(RULE),
    "single precision": lambda: applied(
        RULE, sampler="sampler-hard-float", replace={"extensions = []": 'extensions = ["fp"]'}
    ),
    "double precision": lambda: applied(
        RULE, sampler="sampler-double", replace={"extensions = []": 'extensions = ["fp-double"]'}
    ),
    "single precision on a core with both": lambda: applied(
        RULE, sampler="sampler-hard-float", replace={"extensions = []": 'extensions = ["fp-double"]'}
    ),
    "arguments in the vector extension's registers": lambda: _apply(
        MAINLINE | {FP_ARGS: 1}, "armv8.1-m.main", ("mve",)
    ),
    **{
        f"the tide gauge, {name}": lambda name=name: apply(RULE, gauge(name), IMAGE, gauge_builds(name))
        for name in ARRANGEMENTS
    },
}


@pytest.mark.parametrize(
    ("fp_arch", "narrowed", "extensions", "fits"),
    [
        (FPV4_D16, True, ("fp",), True),
        (FPV4_D16, False, ("fp",), False),
        (FPV4_D16, False, ("fp-double",), True),
        (FP_ARMV8_D16, True, ("fp-double",), True),
        (FPV4_D16, True, (), False),
        (FPV4_D16, True, ("dsp",), False),
    ],
)
def test_precision(fp_arch: int, narrowed: bool, extensions: tuple[str, ...], fits: bool) -> None:
    """Tag_ABI_HardFP_use 1 narrows the demand to single precision; without it both are demanded."""
    attributes = {6: 13, FP_ARCH: fp_arch} | ({HARD_FP_USE: 1} if narrowed else {})
    assert (_apply(attributes, "armv7e-m", extensions).status == "holds") == fits


def test_the_layout_does_not_tell_fpv4_from_fpv5() -> None:
    """FPv5 in single precision on an Armv7E-M core with fp is not checked: the unit may be an FPv4."""
    result = _apply({6: 13, FP_ARCH: FP_ARMV8_D16, HARD_FP_USE: 1}, "armv7e-m", ("fp",))
    assert [each.where for each in result.not_checked] == ["build station"]
    assert "FPv5" in result.not_checked[0].reason


def test_softfp_is_told_from_the_header() -> None:
    """The finding says that the header's flags of such a build look soft."""
    (finding,) = findings(BREAKS["floating point inside, soft-float calls"]())
    assert any("file header look like those of code without floating point" in line for line in finding.lines)


def test_missing_attributes_are_unknown_and_not_zero() -> None:
    """Without the section, without a word of the file, or with Tag_nodefaults nothing counts as held."""
    none = apply(RULE, image=IMAGE, handed={})
    assert {each.reason for each in none.not_checked} == {
        "needs the ELF file: station=FILE",
        "needs the ELF file: sampler=FILE",
    }
    assert not none.holds
    assert "say nothing" in _apply({}).not_checked[0].reason
    assert "Tag_nodefaults" in _apply(MAINLINE | {NO_DEFAULTS: 0}).not_checked[0].reason
