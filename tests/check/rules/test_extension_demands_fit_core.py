"""``extension-demands-fit-core``: DSP, vectors, division and the like in build attributes against cores."""

from __future__ import annotations

import pytest
from attribute_builds import MAINLINE, attributed
from capability_builds import applied
from gauge_rules import on_the_gauge
from small_device import findings

RULE = "extension-demands-fit-core"
UNALIGNED, DIVISION, DSP, MVE, PAC, VIRTUALIZATION = 34, 44, 46, 48, 50, 68
"""Tags of ADDENDA32 2025Q4."""


BREAKS = {
    "compiled for DSP": lambda: applied(RULE, sampler="sampler-dsp"),
    "compiled for vectors": lambda: applied(RULE, sampler="sampler-vector"),
    "floating-point vectors on integer ones": lambda: attributed(
        RULE, {6: 21, MVE: 2}, "armv8.1-m.main", ("mve", "fp-double")
    ),
    "division on Armv6-M": lambda: attributed(RULE, {6: 11, DIVISION: 2}, "armv6-m"),
    "unaligned accesses on Armv6-M": lambda: attributed(RULE, {6: 11, UNALIGNED: 1}, "armv6-m"),
    "unaligned accesses on Baseline": lambda: attributed(RULE, {6: 16, UNALIGNED: 1}, "armv8-m.base"),
    "pointer authentication outside the NOP space": lambda: attributed(RULE, MAINLINE | {PAC: 2}),
    "security": lambda: attributed(RULE, MAINLINE | {VIRTUALIZATION: 1}),
    "virtualization": lambda: attributed(RULE, MAINLINE | {VIRTUALIZATION: 2}, extensions=("security",)),
}

KEEPS = {
    "none": lambda: applied(RULE),
    "DSP": lambda: applied(RULE, sampler="sampler-dsp", replace={"extensions = []": 'extensions = ["dsp"]'}),
    "DSP of Armv7E-M": lambda: attributed(RULE, {6: 13, DSP: 1}, "armv7e-m"),
    "vectors, which include DSP": lambda: attributed(
        RULE, {6: 21, DSP: 1, MVE: 1}, "armv8.1-m.main", ("mve",)
    ),
    "floating-point vectors": lambda: attributed(RULE, {6: 21, MVE: 2}, "armv8.1-m.main", ("mve-fp",)),
    "division where the architecture has it": lambda: attributed(RULE, {6: 16, DIVISION: 2}, "armv8-m.base"),
    "unaligned accesses": lambda: attributed(RULE, {6: 10, UNALIGNED: 1}, "armv7-m"),
    "pointer authentication in the NOP space": lambda: attributed(RULE, MAINLINE | {PAC: 1}),
    "security": lambda: attributed(RULE, MAINLINE | {VIRTUALIZATION: 1}, extensions=("security",)),
    **on_the_gauge(RULE),
}


@pytest.mark.parametrize("value", [0, 1])
def test_division_as_the_architecture_has_it_demands_nothing(value: int) -> None:
    """Tag_DIV_use 0 and 1 ask for no option (ADDENDA32, Tag_DIV_use)."""
    assert attributed(RULE, {6: 11, DIVISION: value}, "armv6-m").status == "holds"


def test_each_demand_has_a_finding_of_its_own() -> None:
    """Vectors and DSP, both demanded by the compiler's mve, are told apart."""
    found = [finding.found for finding in findings(BREAKS["compiled for vectors"]())]
    assert len(found) == 2
    assert "Tag_DSP_extension" in found[0]
    assert "Tag_MVE_arch" in found[1]
