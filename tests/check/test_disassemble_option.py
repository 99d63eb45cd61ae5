"""``gemel check --disassemble``: the code is read when asked for, and only then."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from capability_builds import BUILT, FOLDER

from gemel.cli.main import exit_code

BUILDS = ("station=station.elf", "sampler=sampler.elf")


@pytest.fixture
def checked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
    """Runs ``gemel check`` over the image of the sampler with one float instruction."""
    monkeypatch.chdir(tmp_path)
    shutil.copy(FOLDER / "mainline.toml", "layout.toml")
    shutil.copy(BUILT / "station.elf", "station.elf")
    shutil.copy(BUILT / "sampler-float-instruction.elf", "sampler.elf")
    assert exit_code(["join", "layout.toml", *BUILDS, "-o", "image.hex"]) == 0
    capsys.readouterr()

    def run(*words: str) -> tuple[int, str]:
        code = exit_code(["check", "layout.toml", "image.hex", *words])
        return code, capsys.readouterr().out

    return run


def test_one_instruction_is_found_when_asked(checked) -> None:
    """With the option and the ELF files the instruction is a broken rule and exit code 1."""
    code, output = checked(*BUILDS, "--disassemble")
    assert code == 1
    assert "BROKEN instructions-fit-core" in output
    assert "0x1000_80C6 (level_of + 2): vmov s0, r0" in output


def test_nothing_is_read_when_not_asked(checked) -> None:
    """Without the option the rule is not checked, and says with what it would be."""
    code, output = checked(*BUILDS)
    assert code == 0
    assert "--disassemble" in output
    assert "instructions-fit-core" in output


def test_with_the_image_alone_it_is_a_warning(checked) -> None:
    """Without the ELF files what is found is a warning, which fails nothing."""
    code, output = checked("--disassemble")
    assert code == 0
    assert "swept-instructions-fit-core" in output
    assert "less certain than with the ELF file" in " ".join(output.split())


def test_the_disassembler_is_loaded_only_when_it_spells(checked) -> None:
    """Neither joining nor checking without the option imports capstone or the table of instructions."""
    script = (
        "import sys; from gemel.cli.main import exit_code\n"
        f"exit_code(['check', 'layout.toml', 'image.hex', *{BUILDS!r}])\n"
        "loaded = {'capstone', 'gemel.m_profile.sieve', 'gemel.m_profile.instruction_table'}\n"
        "sys.exit(sorted(loaded & set(sys.modules)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
