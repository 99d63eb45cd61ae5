"""One fault in a real build, and exactly the findings that belong to it."""

from __future__ import annotations

from collections import Counter

import pytest
from capability_builds import BUILT, FAULTS, SECURITY, SOUND, capability_builds, device, everything, image_of
from small_device import TODAY
from small_device import build as build_of

from gemel.checking.runner import check
from gemel.inspection.cores.secure_builds import GATEWAY
from gemel.inspection.inspection import Inspection


@pytest.mark.parametrize("fault", FAULTS)
def test_one_fault_has_its_own_findings_and_no_others(fault: str) -> None:
    """A build with one fault breaks the rules that are about it, and no other rule of all there are."""
    layout, files, expected = FAULTS[fault]
    result = everything(layout, **files)
    found = Counter({each.rule.name: len(each.findings) for each in result.results if each.findings})
    assert found == Counter(expected)


@pytest.mark.parametrize("changed", ["-callable", 'purpose = "code", security = "secure"'])
def test_gateways_where_the_layout_has_none_are_one_finding(changed: str) -> None:
    """Be it their area that is called non-secure, or that of the build: what it has there follows."""
    result = everything(
        SECURITY, replace={changed: changed.replace("secure", "non-secure") if " " in changed else ""}
    )
    assert [each.rule.name for each in result.results for _ in each.findings] == ["veneers-in-callable-area"]


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
    named |= {file for _, files, _ in FAULTS.values() for file in files.values()}
    assert named == {path.stem for path in BUILT.glob("*.elf")}


def test_softfp_code_looks_soft_by_its_header() -> None:
    """e_flags of the softfp build say soft float (AAELF32, EF_ARM_ABI_FLOAT_SOFT), as the finding tells."""
    flags = int.from_bytes((BUILT / "sampler-softfp.elf").read_bytes()[36:40], "little")
    assert flags == 0x0500_0200
    hard = int.from_bytes((BUILT / "sampler-hard-float.elf").read_bytes()[36:40], "little")
    assert hard == 0x0500_0400
