"""``gemel check`` and ``join`` read the code unless ``--no-disassemble`` says not to."""

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
    assert exit_code(["join", "layout.toml", *BUILDS, "-o", "image.hex", "--no-disassemble"]) == 0
    capsys.readouterr()

    def run(*words: str) -> tuple[int, str]:
        code = exit_code(["check", "layout.toml", "image.hex", *words])
        return code, capsys.readouterr().out

    return run


@pytest.mark.parametrize("option", [(), ("--disassemble",)])
def test_one_instruction_is_found(checked, option: tuple[str, ...]) -> None:
    """With the ELF files the instruction is a broken rule and exit code 1, asked for or by default."""
    code, output = checked(*BUILDS, *option)
    assert code == 1
    assert "BROKEN instructions-fit-core" in output
    assert "0x1000_80C6 (level_of + 2): vmov s0, r0" in output


def test_join_reads_the_code_too(checked, capsys: pytest.CaptureFixture[str]) -> None:
    """An image that check refuses is not written by join, unless the code is not to be read."""
    assert exit_code(["join", "layout.toml", *BUILDS, "-o", "read.hex"]) == 1
    assert "BROKEN instructions-fit-core" in capsys.readouterr().out
    assert not Path("read.hex").exists()


def test_nothing_is_read_when_not_wanted(checked) -> None:
    """With --no-disassemble the rule is not checked, and says with what it would be."""
    code, output = checked(*BUILDS, "--no-disassemble")
    assert code == 0
    assert "only on request (--at-least, --disassemble, " in " ".join(output.split())
    assert "with --no-disassemble" in output


def test_a_missing_extra_is_reported(checked, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the disassembler the check goes on; the rule is not checked and names the extra."""
    monkeypatch.setattr("gemel.m_profile.instructions.disassembly.find_spec", lambda name: None)
    code, output = checked(*BUILDS, "--all")
    assert code == 0
    assert "needs the disassembler: pip install 'gemel[disassemble]'" in " ".join(output.split())


def test_with_the_image_alone_it_is_a_warning(checked) -> None:
    """Without the ELF files what is found is a warning, which fails nothing."""
    code, output = checked()
    assert code == 0
    assert "swept-instructions-fit-core" in output
    assert "less certain than with mapping symbols" in " ".join(output.split())


def test_the_disassembler_is_loaded_only_when_it_spells(checked) -> None:
    """A sound pair is read without capstone; with --no-disassemble the table stays out too."""
    shutil.copy(BUILT / "sampler.elf", "sampler.elf")
    script = (
        "import sys; from gemel.cli.main import exit_code\n"
        f"exit_code(['join', 'layout.toml', *{BUILDS!r}, '-o', 'sound.hex', '--no-disassemble'])\n"
        f"exit_code(['check', 'layout.toml', 'sound.hex', *{BUILDS!r}, '--no-disassemble'])\n"
        "room = 'gemel.m_profile.instructions'\n"
        "loaded = {f'{room}.sieve', f'{room}.instruction_table'} & set(sys.modules)\n"
        f"exit_code(['check', 'layout.toml', 'sound.hex', *{BUILDS!r}])\n"
        "loaded |= {'capstone'}\n"
        "sys.exit(sorted(loaded & set(sys.modules)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
