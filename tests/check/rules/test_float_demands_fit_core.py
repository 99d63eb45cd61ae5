"""``float-demands-fit-core``: floating point in build attributes against the cores' units."""

from __future__ import annotations

import pytest
from attribute_builds import MAINLINE, attributed
from capability_builds import applied
from gauge_rules import on_the_gauge
from kernel_products import product
from small_device import apply, findings

from gemel.checking.runner import RuleResult

RULE = "float-demands-fit-core"
FP_ARCH, SIMD, HARD_FP_USE, FP_ARGS, NO_DEFAULTS = 10, 12, 27, 28, 64
"""Tags of ADDENDA32 2025Q4."""
FPV4_D16, FP_ARMV8, FP_ARMV8_D16 = 6, 7, 8


BREAKS = {
    "hard float": lambda: applied(RULE, sampler="sampler-hard-float"),
    "floating point inside, soft-float calls": lambda: applied(RULE, sampler="sampler-softfp"),
    "double precision on a core with single": lambda: applied(
        RULE, sampler="sampler-double", replace={"extensions = []": 'extensions = ["fp"]'}
    ),
    "a unit of the application profile": lambda: attributed(
        RULE, MAINLINE | {FP_ARCH: FP_ARMV8}, extensions=("fp-double",)
    ),
    "Advanced SIMD": lambda: attributed(RULE, MAINLINE | {SIMD: 1}, extensions=("fp-double",)),
    "arguments in registers that are not there": lambda: attributed(RULE, MAINLINE | {FP_ARGS: 1}),
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
    "arguments in the vector extension's registers": lambda: attributed(
        RULE, MAINLINE | {FP_ARGS: 1}, "armv8.1-m.main", ("mve",)
    ),
    "single precision without a word that narrows it": lambda: _of_clang(disassemble=True),
    **on_the_gauge(RULE),
}


def _of_clang(**options: bool) -> RuleResult:
    """A pair whose sampler clang 14 made for a single-precision unit named by -march=: no Tag_ABI_HardFP_use."""
    case = product("mainline", "clang-O2", "clang-O2")
    return apply(RULE, case.read, case.image, case.builds, **options)


def test_precision_that_is_not_stated_takes_the_code() -> None:
    """Without reading code nothing is said of a build whose attributes leave double precision open."""
    (unchecked,) = _of_clang().not_checked
    assert unchecked.where == "build sampler"
    assert unchecked.reason.startswith("whether an instruction needs more than fp: needs --disassemble")


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
    assert (attributed(RULE, attributes, "armv7e-m", extensions).status == "holds") == fits


def test_the_layout_does_not_tell_fpv4_from_fpv5() -> None:
    """FPv5 in single precision on an Armv7E-M core with fp is not checked: the unit may be an FPv4."""
    result = attributed(RULE, {6: 13, FP_ARCH: FP_ARMV8_D16, HARD_FP_USE: 1}, "armv7e-m", ("fp",))
    assert [each.where for each in result.not_checked] == ["build station"]
    assert "FPv5" in result.not_checked[0].reason


def test_softfp_is_told_from_the_header() -> None:
    """The finding says that the header's flags of such a build look soft."""
    (finding,) = findings(BREAKS["floating point inside, soft-float calls"]())
    assert any("file header look like those of code without floating point" in line for line in finding.lines)


def test_missing_attributes_are_unknown_and_not_zero() -> None:
    """Without the section, without a word of the file, or with Tag_nodefaults nothing counts as held."""
    none = apply(RULE, handed={})
    assert {each.reason for each in none.not_checked} == {
        "needs the ELF file: station=FILE",
        "needs the ELF file: sampler=FILE",
    }
    assert not none.holds
    assert "say nothing" in attributed(RULE, {}).not_checked[0].reason
    assert "Tag_nodefaults" in attributed(RULE, MAINLINE | {NO_DEFAULTS: 0}).not_checked[0].reason
