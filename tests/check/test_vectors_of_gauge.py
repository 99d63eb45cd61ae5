"""The rules about vector tables and start on the tide gauge: real ELF files from a cross compiler."""

from __future__ import annotations

import pytest
from gauge_builds import ARRANGEMENTS, gauge, gauge_builds
from small_device import TODAY, findings

from gemel.checking.registry import rule_named
from gemel.checking.runner import RuleResult, check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.spans import Span

FROM_THE_IMAGE = (
    "vector-table-not-blank",
    "vector-table-aligned",
    "vector-table-complete",
    "stack-pointer-in-own-ram",
    "stack-pointer-aligned",
    "reset-handler-in-code",
    "handlers-in-code",
    "required-handlers-present",
    "reserved-vectors-zero",
    "primary-vectors-at-reset",
)
WITH_THE_BUILDS = (
    "handlers-executable",
    "entry-point-agrees",
    "vectors-of-own-build",
    "boot-constant-agrees",
)


def _results(arrangement: str, handed: bool = True, **files: str) -> dict[str, RuleResult]:
    builds = gauge_builds(arrangement, **files)
    read = gauge(arrangement)
    subject = Inspection(read, join(read, builds).image, builds if handed else {})
    rules = [rule for name in FROM_THE_IMAGE + WITH_THE_BUILDS if (rule := rule_named(name))]
    return {result.rule.name: result for result in check(subject, TODAY, rules).results}


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_sound_builds_keep_every_rule(arrangement: str) -> None:
    """In place, copied to RAM, and on two unlike cores: with both builds at hand every rule holds."""
    results = _results(arrangement)
    assert {name: result.status for name, result in results.items()} == dict.fromkeys(results, "holds")
    assert len(results) == len(FROM_THE_IMAGE + WITH_THE_BUILDS)


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_the_image_alone_tells_most(arrangement: str) -> None:
    """Without builds every rule that needs none holds, and the others say which file they need."""
    results = _results(arrangement, handed=False)
    assert {name for name, result in results.items() if result.status == "holds"} == set(FROM_THE_IMAGE)
    for name in WITH_THE_BUILDS:
        assert results[name].status == "not checked"
        assert all("=FILE" in each.reason for each in results[name].not_checked)


def test_the_misplaced_sampler_is_found_out() -> None:
    """A sampler linked 16 KiB too far is one finding, which says where its vectors went.

    Nothing else of its table is judged from erased flash: those rules say that it is blank.
    """
    results = _results("in-place", sampler="sampler-misplaced")
    broken = {name for name, result in results.items() if result.status == "broken"}
    assert broken == {"vector-table-not-blank"}
    (blank,) = findings(results["vector-table-not-blank"])
    assert blank.found.startswith("words of a vector table at 0x1000_C000; ")
    assert blank.lines == ("leads to boot-constant-agrees",)
    assert "vector_offset = 0x4000 in [build.sampler]" in blank.next_step
    reasons = {each.reason for result in results.values() for each in result.not_checked}
    assert reasons == {
        "its vector table is blank: see vector-table-not-blank",
        "build station would release core sampler with the wrong vector table, which follows from "
        "vector-table-not-blank",
    }


def test_a_wrong_build_is_one_finding() -> None:
    """Another build than the image's is reported once; a byte of the image that differs from its own build is too."""
    read, builds = gauge("in-place"), gauge_builds("in-place")
    image = join(read, builds).image
    other = gauge_builds("in-place", sampler="sampler-misplaced")
    result = check(Inspection(read, image, other), TODAY)
    assert [each.rule.name for each in result.results if each.findings] == ["build-ids-equal"]
    changed = image.copy()
    changed.write(0x1000_8300, bytes(byte ^ 0xFF for byte in changed.read(Span(0x1000_8300, 1), 0xFF)))
    result = check(Inspection(read, changed, builds), TODAY)
    assert "image-equals-builds" in [each.rule.name for each in result.results if each.findings]
