"""``build-architecture-fits-core``: build attributes against the architectures of the cores."""

from __future__ import annotations

import pytest
from elf_writer import SegmentSpec, elf
from gauge_builds import gauge, gauge_builds
from gauge_rules import on_the_gauge
from small_device import SAMPLER, STATION, apply, builds, findings, joined, layout
from small_device import build as build_of

from gemel.checking.rules.build_architecture_fits_core import RUNS

RULE = "build-architecture-fits-core"
IMAGE = joined().image
ARMV7, ARMV6_M, ARMV6S_M, ARMV7E_M, ARMV8_A, BASELINE, MAINLINE, ARMV8_1_M = 10, 11, 12, 13, 14, 16, 17, 21
"""Values of Tag_CPU_arch (ADDENDA32 2025Q4, "The target-related attributes")."""


def _elf(start, attributes):
    return elf([SegmentSpec(start, b"\1" * 64)], attributes=attributes)


def _apply(attributes, architecture="armv8-m.main", extensions=(), sampler=None):
    """The station compiled with ``attributes`` for a core of ``architecture``."""
    text = ", ".join(f'"{each}"' for each in extensions)
    read = layout(
        {
            'role = "primary"\narchitecture = "armv8-m.main"\nextensions = ["security"]': 'role = "primary"\n'
            f'architecture = "{architecture}"\nextensions = [{text}]'
        }
    )
    handed = {
        "station": build_of("station", _elf(STATION, attributes)),
        "sampler": build_of("sampler", _elf(SAMPLER, sampler or {6: MAINLINE})),
    }
    return apply(RULE, read, IMAGE, handed)


def _swapped():
    handed = gauge_builds("two-banks")
    return apply(
        RULE, gauge("two-banks"), IMAGE, {"station": handed["sampler"], "sampler": handed["station"]}
    )


BREAKS = {
    "Armv8-M Mainline on Armv7E-M": lambda: _apply({6: MAINLINE, 7: 0x4D}, "armv7e-m"),
    "Armv8.1-M on Armv8-M": lambda: _apply({6: ARMV8_1_M, 5: "a core of ours"}),
    "DSP code on a core without": lambda: _apply({6: ARMV7E_M, 7: 0x4D}),
    "application profile": lambda: _apply({6: ARMV7, 7: 0x41}),
    "application architecture without a profile": lambda: _apply({6: ARMV8_A}),
    "Arm instructions": lambda: _apply({6: ARMV7, 8: 1}),
    "the two files of the tide gauge swapped": _swapped,
    "unknown demands besides": lambda: _apply({6: ARMV8_1_M, 60: 1}),
}

KEEPS = {
    "its own architecture": lambda: _apply({6: MAINLINE, 7: 0x4D}),
    "an older architecture": lambda: _apply({6: ARMV6_M, 7: 0x4D}, sampler={6: ARMV7}),
    "DSP code on a core that has it": lambda: _apply({6: ARMV7E_M}, extensions=("dsp",)),
    "no profile written": lambda: _apply({6: ARMV7}, "armv7-m"),
    **on_the_gauge(RULE),
}


@pytest.mark.parametrize("architecture", sorted(RUNS))
@pytest.mark.parametrize("arch", [ARMV7, ARMV6_M, ARMV6S_M, ARMV7E_M, BASELINE, MAINLINE, ARMV8_1_M])
def test_order_of_architectures(architecture: str, arch: int) -> None:
    """Code of one M-profile architecture runs on those above it.

    Armv6-M below Armv7-M below Armv7E-M; Armv6-M below Baseline below Mainline below Armv8.1-M, and
    Armv7-M below Mainline; Armv7E-M code needs the DSP extension there (from memory).
    """
    above = {
        ARMV6_M: {"armv6-m", "armv7-m", "armv7e-m", "armv8-m.base", "armv8-m.main", "armv8.1-m.main"},
        ARMV7: {"armv7-m", "armv7e-m", "armv8-m.main", "armv8.1-m.main"},
        ARMV7E_M: {"armv7e-m"},
        BASELINE: {"armv8-m.base", "armv8-m.main", "armv8.1-m.main"},
        MAINLINE: {"armv8-m.main", "armv8.1-m.main"},
        ARMV8_1_M: {"armv8.1-m.main"},
    }
    above[ARMV6S_M] = above[ARMV6_M]
    result = _apply({6: arch}, architecture)
    assert (result.status == "holds") == (architecture in above[arch])


def test_swapped_files_break_both_or_one() -> None:
    """The sampler's Armv6-M code would run on the station; the station's does not run on the sampler."""
    (finding,) = findings(_swapped())
    assert finding.parties == ("sampler",)
    assert finding.found.startswith("Armv7E-M")


def test_the_processor_is_named_if_the_build_names_it() -> None:
    """Tag_CPU_name, where the compiler wrote it, helps to see which part the file was made for."""
    (finding,) = findings(BREAKS["Armv8.1-M on Armv8-M"]())
    assert finding.found == "Armv8.1-M Mainline, CPU name a core of ours"


def test_what_the_attributes_do_not_tell_is_not_checked() -> None:
    """No attributes, none for the architecture, or unknown demands: not checked, each with its reason."""
    none = apply(RULE, image=IMAGE, handed=builds())
    assert {each.reason for each in none.not_checked} == {"the file has no section of build attributes"}
    silent = _apply({5: "some core"})
    assert [each.reason for each in silent.not_checked] == ["its build attributes name no architecture"]
    unknown = _apply({6: MAINLINE, 60: 1})
    assert [each.where for each in unknown.not_checked] == ["build station"]
    assert "tags 60" in unknown.not_checked[0].reason
    missing = apply(RULE, image=IMAGE, handed={})
    assert {each.reason for each in missing.not_checked} == {
        "needs the ELF file: station=FILE",
        "needs the ELF file: sampler=FILE",
    }
