"""Everything that the README's commands and the demo print fits a terminal of 80 columns.

What the README's commands print is read from the README: ``test_readme.py`` runs each and compares.
"""

from __future__ import annotations

import os
import subprocess
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path

import pytest
from readme_examples import EXAMPLES, README, console_blocks, output_of

from gemel.cli.main import exit_code
from gemel.text.styled import width_of

WIDTH = 80
TOPICS = ("", "record", "seal", "layout", "ci", "reset-handler-in-code", "no-such-rule")
MORE = (
    *(f"gemel explain {topic}".rstrip() for topic in TOPICS),
    "gemel join tide-gauge.toml station=station.elf -o tide.hex",
    "gemel join tide-gauge.toml station=tide.toml sampler=none.elf -o a.elf -o b.out",
    "gemel check tide-gauge.toml sampler.elf",
    "gemel check tide-gauge.toml tide.hex --at 0x10000000",
    "gemel check tide-gauge.toml tide.hex --version 9.9.9 --trust none.pem",
    "gemel sign tide-gauge.toml tide.hex --key release.pem -o sealed.hex",
    "gemel --no-such",
    "gemel joni",
)
MADE = (  # what the commands of MORE read
    "gemel join tide-gauge.toml station=station.elf sampler=sampler.elf -o tide.hex -o tide.bin",
    "gemel keys new Ed25519 -o release.pem --public release-pub.pem --no-pass-phrase",
)
pytestmark = pytest.mark.skipif(os.name != "posix", reason="the examples are written for a POSIX shell")


def too_long(text: str) -> list[str]:
    """Lines of more than 80 columns, but for typed commands and for a single long word, such as a path."""
    return [
        line
        for line in text.splitlines()
        if width_of(line) > WIDTH
        and not line.lstrip().startswith(("$ ", "gemel ", "- gemel ", "$(eval "))
        and " " in line[12:].strip()
    ]


def printed(command: str, capsys: pytest.CaptureFixture[str]) -> str:
    """What a command line prints on stdout and stderr, run in this process and in the present folder."""
    exit_code(command.split()[1:])
    return "".join(capsys.readouterr())


@pytest.fixture(autouse=True)
def _terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """80 columns, without colour."""
    monkeypatch.setenv("COLUMNS", str(WIDTH))
    monkeypatch.setenv("NO_COLOR", "1")


@pytest.fixture(scope="module")
def demo_said(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The demo's folder, with a key and images as the README's commands leave them, and what the demo said."""
    folder = tmp_path_factory.mktemp("width")
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(StringIO()) as said:
        patch.setenv("COLUMNS", str(WIDTH))
        patch.setenv("NO_COLOR", "1")
        patch.chdir(folder)
        assert exit_code(["demo", "demo"]) == 0
        patch.chdir(folder / "demo")
        with redirect_stdout(StringIO()):
            for command in MADE:
                assert exit_code(command.split()[1:]) == 0, command
    return folder / "demo", said.getvalue()


@pytest.fixture
def demo(demo_said: tuple[Path, str]) -> Path:
    """The demo's folder."""
    return demo_said[0]


def test_the_readmes_commands() -> None:
    """No command of the README prints a line that a terminal would break."""
    pages = (page.read_text(encoding="utf-8") for page in (README, EXAMPLES))
    blocks = [block for page in pages for block in console_blocks(page)]
    assert sum(line.startswith("$ ") for block in blocks for line in block.splitlines()) > 5
    assert [too_long(block) for block in blocks] == [[]] * len(blocks)


@pytest.mark.parametrize("command", MORE)
def test_explanations_and_errors(
    demo: Path, command: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Explanations and errors are as narrow."""
    monkeypatch.chdir(demo)
    said = printed(command, capsys)
    assert said
    assert too_long(said) == []


def test_the_demo(demo_said: tuple[Path, str]) -> None:
    """The demo's own words are as narrow, and so is what it leaves for repeating it."""
    folder, said = demo_said
    assert "gemel join" in said
    assert too_long(said) == []
    comments = (folder / "commands.txt").read_text(encoding="utf-8").splitlines()
    assert [line for line in comments if line.startswith("#") and len(line) > WIDTH] == []


def test_the_demos_commands_run_as_a_script(demo: Path) -> None:
    """``sh commands.txt`` repeats the demo; the steps that must fail are marked and do."""
    script = demo / "commands.txt"
    lines = script.read_text(encoding="utf-8").splitlines()
    assert all(line == "" or line.startswith(("# ", "gemel ")) for line in lines)
    marked = [index + 1 for index, line in enumerate(lines) if line.startswith("# It must end with")]
    assert marked
    # Each command's exit code goes to a file, from a wrapper around the command.
    output_of("true", demo)
    wrapper = demo / ".shims" / "gemel"
    command = wrapper.read_text().splitlines()[1].removeprefix("exec ")
    wrapper.write_text(f"#!/bin/sh\n{command}\ncode=$?\necho $code >>{demo}/codes.txt\nexit $code\n")
    said = output_of("sh commands.txt", demo)
    codes = (demo / "codes.txt").read_text().split()
    assert codes == [
        "1" if index in marked else "0" for index, line in enumerate(lines) if line.startswith("gemel ")
    ]
    assert "not found" not in said
    assert "syntax" not in said
    assert said.count("PASS: ") >= 2
    assert "nothing was written" in said


def test_no_shell_is_left_with_an_error(demo: Path) -> None:
    """The script is sound for a shell that only reads it."""
    done = subprocess.run(["sh", "-n", "commands.txt"], cwd=demo, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
