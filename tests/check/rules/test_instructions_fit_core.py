"""``instructions-fit-core``: every instruction of real builds against the core that runs them."""

from __future__ import annotations

import importlib.util
import subprocess
from pathlib import Path

import pytest
from capability_builds import applied, capability_builds, device, image_of
from elf_writer import SegmentSpec, SymbolSpec, elf
from gauge_builds import gauge, gauge_builds
from gauge_rules import on_the_gauge
from small_device import STATION, apply, builds, findings, joined
from small_device import build as build_of
from tools import required_tool

RULE = "instructions-fit-core"
NOP, VMOV = bytes.fromhex("00bf"), bytes.fromhex("07ee903a")
"""NOP, and VMOV S15, R3 as an assembler makes it."""


def _station(code: bytes, *marks: SymbolSpec):
    """The station with nothing but ``code`` and mapping symbols; the sampler as it is."""
    data = elf([SegmentSpec(STATION, code)], symbols=[SymbolSpec("work", STATION | 1, len(code)), *marks])
    handed = builds() | {"station": build_of("station", data)}
    return apply(RULE, image=joined().image, handed=handed, disassemble=True)


def _mark(name: str, offset: int) -> SymbolSpec:
    return SymbolSpec(name, STATION + offset, 0, "notype", "local")


def _gauge(arrangement: str, architecture: str, extensions: str):
    """The tide gauge as if its station had another core."""
    read = gauge(arrangement)
    from gemel.structs import replace

    station = replace(
        read.layout.cores["station"],
        architecture=architecture,
        extensions=tuple(extensions.split()),
    )
    changed = replace(read.layout, cores=read.layout.cores | {"station": station})
    handed = gauge_builds(arrangement)
    return apply(RULE, replace(read, layout=changed), joined().image, handed, disassemble=True)


BREAKS = {
    **{
        f"one {kind} instruction": lambda kind=kind: applied(RULE, sampler=f"sampler-{kind}-instruction")
        for kind in ("float", "dsp", "vector", "security")
    },
    **{
        f"one {kind} instruction on Armv6-M": lambda kind=kind: applied(
            RULE, "small-secondary", sampler=f"small-sampler-{kind}-instruction"
        )
        for kind in ("divide", "exclusive", "baseline")
    },
    "hard float": lambda: applied(RULE, sampler="sampler-hard-float"),
    "double precision on a core with single": lambda: applied(
        RULE, sampler="sampler-double", replace={"extensions = []": 'extensions = ["fp"]'}
    ),
    "the tide gauge's station without its float unit": lambda: _gauge("two-banks", "armv7e-m", "dsp"),
    "the tide gauge's station on Armv6-M": lambda: _gauge("in-place", "armv6-m", ""),
    "Arm code": lambda: _station(NOP * 8, _mark("$a", 0), _mark("$t", 8)),
}

KEEPS = {
    "mainline": lambda: applied(RULE),
    "small secondary": lambda: applied(RULE, "small-secondary"),
    "secure and non-secure": lambda: applied(RULE, "security"),
    "erased bytes after code are fill": lambda: applied(RULE, "security", keeper="keeper-unpadded"),
    "hard float on a core with a unit": lambda: applied(
        RULE, sampler="sampler-hard-float", replace={"extensions = []": 'extensions = ["fp"]'}
    ),
    "DSP on a core that has it": lambda: applied(
        RULE, sampler="sampler-dsp-instruction", replace={"extensions = []": 'extensions = ["dsp"]'}
    ),
    **on_the_gauge(RULE, disassemble=True),
}


def test_data_among_code_is_passed_over() -> None:
    """Bytes between $d and $t are data, whatever they look like; the forms with a point count too."""
    for data, code in (("$d", "$t"), ("$d.7", "$t.x")):
        code_and_data = NOP * 2 + VMOV + NOP * 2
        sound = _station(code_and_data, _mark("$t", 0), _mark(data, 4), _mark(code, 8))
        assert not sound.findings
        (finding,) = findings(_station(code_and_data, _mark(code, 0), _mark(data, 8)))
        assert "0x1000_0004 (work + 4): vmov s15, r3" in finding.found


def test_a_wide_instruction_cut_by_data_does_not_hide_the_next_one() -> None:
    """Half an instruction in front of data is not completed from the data, and code behind it is read."""
    half = bytes.fromhex("00f0")
    result = _station(NOP + half + VMOV + VMOV, _mark("$t", 0), _mark("$d", 4), _mark("$t", 8))
    (finding,) = findings(result)
    assert "0x1000_0008 (work + 8)" in finding.found


def test_function_address_instruction_and_lack_are_named() -> None:
    """A finding says where the instruction stands, what it is and what the core lacks."""
    (finding,) = findings(BREAKS["one divide instruction on Armv6-M"]())
    assert finding.found == "0x1000_80C6 (level_of + 2): udiv r0, r0, r0"
    assert "it lacks divide instructions" in finding.expected


def test_what_cannot_be_read_is_not_checked() -> None:
    """Stripped files, files without mapping symbols, and missing ones: not checked, each with its reason."""
    unmapped = _station(NOP * 4)
    assert "no mapping symbols" in unmapped.not_checked[0].reason
    data = elf([SegmentSpec(STATION, NOP * 4)])
    handed = builds() | {"station": build_of("station", data)}
    stripped = apply(RULE, image=joined().image, handed=handed, disassemble=True)
    assert "stripped" in stripped.not_checked[0].reason
    missing = apply(RULE, image=joined().image, handed={}, disassemble=True)
    assert {each.reason for each in missing.not_checked} == {
        "needs the ELF file: station=FILE",
        "needs the ELF file: sampler=FILE",
    }


def test_nothing_is_read_unless_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without being asked, and without the library, the rule says so and does not look at the code."""
    read, handed = device(), capability_builds(sampler="sampler-hard-float")
    image = image_of(read, handed)
    silent = apply(RULE, read, image, handed)
    assert {each.reason for each in silent.not_checked} == {"needs --disassemble: the code was not read"}
    monkeypatch.setattr("gemel.m_profile.instructions.disassembly.find_spec", lambda name: None)
    without = apply(RULE, read, image, handed, disassemble=True)
    assert {each.reason for each in without.not_checked} == {
        "needs the disassembler: pip install 'gemel[disassemble]'"
    }
    assert importlib.util.find_spec("capstone")


def test_what_unwinds_exceptions_is_stepped_over(tmp_path: Path) -> None:
    """The compiler's library for cores without a floating-point unit restores its registers if tables say so."""
    compiler = [required_tool("arm-none-eabi-gcc"), "-mthumb", "-march=armv7e-m", "-mfloat-abi=soft"]
    archive = subprocess.run(
        [*compiler, "-print-libgcc-file-name"], capture_output=True, check=True, text=True
    ).stdout
    unwinder = subprocess.run(
        [required_tool("arm-none-eabi-ar"), "p", archive.strip(), "libunwind.o"],
        capture_output=True,
        check=True,
    ).stdout
    (tmp_path / "unwind.o").write_bytes(unwinder)
    subprocess.run(
        [required_tool("arm-none-eabi-objcopy"), "-O", "binary", "-j", ".text", "unwind.o", "unwind.bin"],
        cwd=tmp_path,
        check=True,
    )
    code = (tmp_path / "unwind.bin").read_bytes()
    assert code.count(bytes.fromhex("90ec200b")) == 1
    assert not findings(_station(code, _mark("$t", 0)))
    assert findings(
        _station(code.replace(bytes.fromhex("90ec200b7047"), bytes.fromhex("90ec200b00bf")), _mark("$t", 0))
    )
