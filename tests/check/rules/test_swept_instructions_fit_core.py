"""``swept-instructions-fit-core``: images alone, code told from data by following it and by how it reads."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from capability_builds import applied, capability_builds, device, image_of
from gauge_rules import on_the_gauge
from image_edits import changed
from seconds import within
from small_device import apply, findings

from gemel.checking.runner import RuleResult

RULE = "swept-instructions-fit-core"
SAMPLER_CODE = 0x1000_8000
FREE = SAMPLER_CODE + 0x400
"""In the area of the sampler's code, behind everything that the build stores."""

CALLED_BY_POINTER = bytes.fromhex("30ee200a 7047 00bf")
"""A routine of VADD.F32 and BX LR, which reads the same wherever it lies."""

WITH_PUSH = bytes.fromhex("10b5 30ee200a 10bd")
DATA = bytes.fromhex("ffffffff 01000000")
PUSH, POP = bytes.fromhex("10b5 00bf"), bytes.fromhex("10bd")


def _with(
    writes: Mapping[int, bytes], replace: Mapping[str, str] | None = None, disassemble: bool = True
) -> RuleResult:
    """The image of the sound builds with further bytes, alone."""
    read = device("mainline", replace)
    image = changed(image_of(read, capability_builds()), writes)
    return apply(RULE, read, image, {}, disassemble=disassemble)


BREAKS = {
    **{
        f"one {kind} instruction": lambda kind=kind: applied(
            RULE, sampler=f"sampler-{kind}-instruction", alone=True
        )
        for kind in ("float", "dsp", "vector", "security")
    },
    "one divide instruction on Armv6-M": lambda: applied(
        RULE, "small-secondary", sampler="small-sampler-divide-instruction", alone=True
    ),
    "hard float": lambda: applied(RULE, sampler="sampler-hard-float", alone=True),
    "one instruction that only a table leads to": lambda: applied(
        RULE, sampler="sampler-callback-instruction", alone=True
    ),
    "a routine that only a word points to": lambda: _with(
        {FREE: DATA + (FREE + 17).to_bytes(4, "little") + DATA[:4] + CALLED_BY_POINTER}
    ),
    "a routine that nothing points to": lambda: _with({FREE: DATA + WITH_PUSH}),
    "four instructions that stand alone": lambda: _with(
        {FREE: DATA + CALLED_BY_POINTER[:4] * 3 + CALLED_BY_POINTER}
    ),
}

KEEPS = {
    "mainline": lambda: applied(RULE, alone=True),
    "small secondary": lambda: applied(RULE, "small-secondary", alone=True),
    **on_the_gauge(RULE, alone=True, disassemble=True),
    "one instruction that stands alone": lambda: _with({FREE: DATA + CALLED_BY_POINTER}),
    "four among many that stand alone": lambda: _with(
        {FREE: DATA + CALLED_BY_POINTER[:4] * 3 + b"\x40\x1c" * 9 + CALLED_BY_POINTER}
    ),
    "a chance push in the bytes of something else": lambda: _with(
        {FREE: DATA + PUSH + CALLED_BY_POINTER + DATA}
    ),
    "a branch into erased flash": lambda: _with(
        {FREE: DATA + PUSH + bytes.fromhex("30ee200a 01f00080") + POP}
    ),
    "a negative number that reads like one": lambda: _with(
        {FREE: DATA + PUSH + bytes.fromhex("94f8ffff") + POP}
    ),
    "an address that reads like one": lambda: _with(
        {FREE: DATA + PUSH + (SAMPLER_CODE + 0x20).to_bytes(4, "little") + POP}
    ),
    "data processing of Advanced SIMD": lambda: _with(
        {FREE: DATA + PUSH + bytes.fromhex("6fff9dc8 30ee200a") + POP}
    ),
    "what no core of the profile has": lambda: _with(
        {FREE: DATA + PUSH + bytes.fromhex("20f90f0a 30ee200a") + POP}
    ),
}


def test_it_is_said_to_be_less_certain() -> None:
    """Severity, evidence and next step all say that this is worth a look and no proof."""
    result = BREAKS["one float instruction"]()
    (finding,) = findings(result)
    assert result.severity == "warning"
    assert finding.lines[-1].startswith("less certain than with mapping symbols")
    assert "ELF file, not stripped, which settles it" in result.rule.remedy


@pytest.mark.parametrize(
    "case", ["one instruction that only a table leads to", "a routine that nothing points to"]
)
def test_what_is_swept_is_said_to_be_less_certain_still(case: str) -> None:
    """Where no branch from the vectors leads, the finding says that the bytes only read as code."""
    (finding,) = findings(BREAKS[case]())
    assert finding.found.endswith(("vmov s0, r0", "vadd.f32 s0, s0, s1"))
    assert finding.lines[-1].startswith("much less certain than with mapping symbols")


def test_with_the_symbols_the_other_rule_looks() -> None:
    """Builds whose symbols are at hand are left to ``instructions-fit-core``, whatever they hold."""
    result = applied(RULE, sampler="sampler-hard-float")
    assert (result.findings, result.holds) == ((), ())
    assert [each.reason for each in result.not_applicable] == [result.rule.absent]


def test_nothing_is_read_unless_asked() -> None:
    """Without being asked the rule says so and does not look at the code."""
    result = _with({FREE: DATA + WITH_PUSH}, disassemble=False)
    assert {each.reason for each in result.not_checked} == {"needs --disassemble: the code was not read"}


def test_how_much_was_read_is_told() -> None:
    """What holds says how much of the build that is about, and how much was taken for data."""
    held = [each.where for each in KEEPS["mainline"]().holds]
    assert held[1] == (
        "build sampler in the image: 30 bytes to which its vectors lead, 20 bytes that read as code, "
        "158 bytes as data"
    )


def test_without_vectors_everything_is_swept() -> None:
    """A blank vector table keeps nothing from being found, only from being followed."""
    read = device()
    image = image_of(read, capability_builds(sampler="sampler-float-instruction"))
    blank = changed(image, {SAMPLER_CODE: bytes(8)})
    (finding,) = findings(apply(RULE, read, blank, {}, disassemble=True))
    assert finding.found == "0x1000_80C6: vmov s0, r0"
    assert finding.lines[-1].startswith("much less certain")


def test_other_code_areas_of_a_build_are_swept() -> None:
    """An area that a build is also stored in is swept for its core, too."""
    area = 'extra = { memory = "flash", offset = "96 KiB", size = "4 KiB", purpose = "code" }\nstation-code ='
    replace = {
        "station-code =": area,
        'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nalso_stored_in = ["extra"]',
    }
    (finding,) = findings(_with({0x1001_8000: WITH_PUSH}, replace))
    assert finding.where == "build sampler in the image, 0x1001_8000..0x1001_8007"


def test_code_areas_of_no_build_are_not_checked() -> None:
    """Bytes in a code area where no build is stored are reported: nobody knows which core runs them."""
    area = 'spare = { memory = "flash", offset = "96 KiB", size = "4 KiB", purpose = "code" }\nstation-code ='
    result = _with({0x1001_8000: WITH_PUSH}, {"station-code =": area})
    assert [(each.where, each.reason) for each in result.not_checked] == [
        (
            "area spare, 0x1001_8000..0x1001_8FFF",
            "no build of the layout is stored there, so which core runs its code is not known",
        )
    ]
    assert not _with({}, {"station-code =": area}).not_checked


def test_a_build_that_is_not_there_is_not_checked() -> None:
    """Where nothing of a build was found there is nothing to sweep, and the rule says so."""
    read = device()
    image = image_of(read, capability_builds())
    image.erase(read.layout.span_of("sampler-code"))
    result = apply(RULE, read, image, {}, disassemble=True)
    assert [each.reason for each in result.not_checked] == ["nothing of the build was found in the image"]


@pytest.mark.parametrize("effort", [0, 60], ids=["followed", "swept"])
def test_a_sweep_that_was_given_up_is_not_checked(effort: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Bytes that cost more than any program does leave their rest unchecked, with the reason."""
    monkeypatch.setattr("gemel.m_profile.code.flow.EFFORT", 0)
    monkeypatch.setattr("gemel.m_profile.code.flow.FREE_EFFORT", effort)
    result = KEEPS["mainline"]()
    assert [each.where for each in result.not_checked] == [
        "build station in the image, the rest of 0x1000_0000..0x1000_00DF",
        "build sampler in the image, the rest of 0x1000_8000..0x1000_80CF",
    ]
    assert "lead in more ways than are followed" in result.not_checked[0].reason


def test_what_is_erased_between_a_few_bytes_costs_nothing() -> None:
    """A routine 12 MiB further on, in a file of some hundred bytes, is found; what is between is no work."""
    far = SAMPLER_CODE + (12 << 20)
    sizes = {
        'size = "128 KiB"': 'size = "16 MiB"',
        'offset = "32 KiB", size = "32 KiB", purpose = "code"': (
            'offset = "32 KiB", size = "14 MiB", purpose = "code"'
        ),
    }
    with within(1):
        (finding,) = findings(_with({far: DATA + WITH_PUSH}, sizes))
    assert "0x10C0_8000" in finding.where
