"""One fault in a real build, and exactly the findings that belong to it."""

from __future__ import annotations

from collections import Counter

import pytest
from capability_builds import BUILT, SOUND, capability_builds, device, everything, image_of
from small_device import TODAY
from small_device import build as build_of

from gemel.checking.runner import check
from gemel.inspection.cores.secure_builds import GATEWAY
from gemel.inspection.inspection import Inspection

MAINLINE, SMALL, SECURITY = "mainline", "small-secondary", "security"

FOUND: dict[str, tuple[str, dict[str, str], dict[str, int]]] = {
    "hard-float secondary": (
        MAINLINE,
        {"sampler": "sampler-hard-float"},
        {"float-demands-fit-core": 1},
    ),
    "soft-float calls, floating point inside": (
        MAINLINE,
        {"sampler": "sampler-softfp"},
        {"float-demands-fit-core": 1},
    ),
    "double precision": (
        MAINLINE,
        {"sampler": "sampler-double"},
        {"float-demands-fit-core": 1},
    ),
    "compiled for DSP": (
        MAINLINE,
        {"sampler": "sampler-dsp"},
        {"extension-demands-fit-core": 1},
    ),
    "compiled for vectors": (
        MAINLINE,
        {"sampler": "sampler-vector"},
        {"build-architecture-fits-core": 1},
    ),
    "one float instruction": (
        MAINLINE,
        {"sampler": "sampler-float-instruction"},
        {"instructions-fit-core": 1},
    ),
    "one float instruction that only a table leads to": (
        MAINLINE,
        {"sampler": "sampler-callback-instruction"},
        {"instructions-fit-core": 1},
    ),
    "one DSP instruction": (MAINLINE, {"sampler": "sampler-dsp-instruction"}, {"instructions-fit-core": 1}),
    "one vector instruction": (
        MAINLINE,
        {"sampler": "sampler-vector-instruction"},
        {"instructions-fit-core": 1},
    ),
    "one security instruction": (
        MAINLINE,
        {"sampler": "sampler-security-instruction"},
        {"instructions-fit-core": 1},
    ),
    "one divide instruction": (
        SMALL,
        {"sampler": "small-sampler-divide-instruction"},
        {"instructions-fit-core": 1},
    ),
    "one exclusive access": (
        SMALL,
        {"sampler": "small-sampler-exclusive-instruction"},
        {"instructions-fit-core": 1},
    ),
    "one compare and branch": (
        SMALL,
        {"sampler": "small-sampler-baseline-instruction"},
        {"instructions-fit-core": 1},
    ),
    "stale import library": (SECURITY, {"caller": "caller-stale"}, {"secure-entries-agree": 1}),
    "import library whose gateways all moved": (
        SECURITY,
        {"caller": "caller-stale-all"},
        {"secure-entries-agree": 1},
    ),
    "shared variables at a secure address": (
        SECURITY,
        {"keeper": "keeper-shares-as-secure"},
        {"memory-seen-through-one-alias": 1},
    ),
    "import library of another version": (
        SECURITY,
        {"caller": "caller-calls-missing"},
        {"secure-entries-agree": 1},
    ),
    "non-secure build in secure RAM": (
        SECURITY,
        {"caller": "caller-in-secure-ram"},
        {"builds-inside-own-attribution": 2},
    ),
    "non-secure build at secure addresses": (
        SECURITY,
        {"caller": "caller-secure-alias"},
        {"memory-seen-through-one-alias": 1},
    ),
    "veneers outside their area": (
        SECURITY,
        {"keeper": "keeper-veneers-outside", "caller": "caller-veneers-outside"},
        {"veneers-in-callable-area": 1},
    ),
    "veneers inside of a unit of 32 bytes": (
        SECURITY,
        {"keeper": "keeper-misaligned", "caller": "caller-misaligned"},
        {"veneers-aligned": 1},
    ),
    "inadvertent gateway": (
        SECURITY,
        {"keeper": "keeper-inadvertent-gateway"},
        {"callable-area-holds-only-veneers": 1},
    ),
    "constant among the veneers": (
        SECURITY,
        {"keeper": "keeper-crowded"},
        {"callable-area-holds-only-veneers": 1},
    ),
    "veneers of an older link": (
        SECURITY,
        {"keeper": "keeper-stale-veneers"},
        {"veneers-lead-to-entries": 2},
    ),
    "veneers not padded": (SECURITY, {"keeper": "keeper-unpadded"}, {"callable-area-holds-only-veneers": 1}),
}
"""For each fault the layout, the builds that are not the sound ones, and the number of findings by rule."""


@pytest.mark.parametrize("fault", FOUND)
def test_one_fault_has_its_own_findings_and_no_others(fault: str) -> None:
    """A build with one fault breaks the rules that are about it, and no other rule of all there are."""
    layout, files, expected = FOUND[fault]
    result = everything(layout, **files)
    found = Counter({each.rule.name: len(each.findings) for each in result.results if each.findings})
    assert found == Counter(expected)


def test_a_gateway_without_sg_is_one_finding() -> None:
    """What is there instead is no further content of the callable area."""
    data = (BUILT / "keeper.elf").read_bytes().replace(GATEWAY, bytes.fromhex("00bf00bf"), 1)
    read, builds = device(SECURITY), capability_builds(SECURITY) | {"keeper": build_of("keeper", data)}
    result = check(Inspection(read, image_of(read, builds), builds, disassemble=True), TODAY)
    assert [each.rule.name for each in result.results if each.findings] == ["veneers-lead-to-entries"]


def test_secure_code_shares_what_is_non_secure() -> None:
    """Its variables in a shared area of the other state, at the address of that state, are no mistake."""
    assert everything(SECURITY, keeper="keeper-shares").passes
    assert [
        each.rule.name for each in everything(SECURITY, keeper="keeper-shares").results if each.findings
    ] == []


@pytest.mark.parametrize("layout", SOUND)
def test_sound_builds_break_nothing(layout: str) -> None:
    """The builds beside the faulty ones are sound: nothing at all is found in them."""
    result = everything(layout)
    assert [each.rule.name for each in result.results if each.findings] == []
    assert result.passes


def test_every_build_has_its_place_in_the_table() -> None:
    """No committed build is left out of the tests."""
    named = {"keeper-shares", *(file for files in SOUND.values() for file in files.values())}
    named |= {file for _, files, _ in FOUND.values() for file in files.values()}
    assert named == {path.stem for path in BUILT.glob("*.elf")}


def test_softfp_code_looks_soft_by_its_header() -> None:
    """e_flags of the softfp build say soft float (AAELF32, EF_ARM_ABI_FLOAT_SOFT), as the finding tells."""
    flags = int.from_bytes((BUILT / "sampler-softfp.elf").read_bytes()[36:40], "little")
    assert flags == 0x0500_0200
    hard = int.from_bytes((BUILT / "sampler-hard-float.elf").read_bytes()[36:40], "little")
    assert hard == 0x0500_0400
