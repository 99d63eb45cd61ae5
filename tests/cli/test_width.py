"""Everything that the README's commands and the demo print fits a terminal of 80 columns."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest
from readme_examples import README, console_blocks, output_of, prepared

from gemel.text.styled import width_of

WIDTH = 80
COMMANDS = [
    line[2:]
    for block in console_blocks(README.read_text(encoding="utf-8"))
    for line in block.splitlines()
    if line.startswith("$ ")
]
TOPICS = ("", "record", "seal", "layout", "reset-handler-in-code", "no-such-rule")
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
pytestmark = pytest.mark.skipif(os.name != "posix", reason="the examples are written for a POSIX shell")


def too_long(text: str) -> list[str]:
    """Lines of more than 80 columns, but for typed commands and for a single long word, such as a path."""
    return [
        line
        for line in text.splitlines()
        if width_of(line) > WIDTH
        and not line.lstrip().startswith(("$ ", "gemel "))
        and " " in line[12:].strip()
    ]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's folder, after all commands of the README, in their order."""
    return prepared(tmp_path_factory.mktemp("width"))


def test_the_readmes_commands(demo: Path) -> None:
    """Each command of the README, in the README's order, prints no line that a terminal would break."""
    assert len(COMMANDS) > 5
    for command in COMMANDS:
        assert too_long(output_of(command, demo)) == [], command


@pytest.mark.parametrize("command", MORE)
def test_explanations_and_errors(demo: Path, command: str) -> None:
    """Explanations and errors are as narrow."""
    said = output_of(command, demo)
    assert said
    assert too_long(said) == []


def test_the_demo(tmp_path: Path) -> None:
    """The demo's own words are as narrow, and so is what it leaves for repeating it."""
    assert too_long(output_of("gemel demo demo", tmp_path)) == []
    comments = (tmp_path / "demo" / "commands.txt").read_text(encoding="utf-8").splitlines()
    assert [line for line in comments if line.startswith("#") and len(line) > WIDTH] == []


def test_the_demos_commands_run_as_a_script(demo: Path) -> None:
    """``sh commands.txt`` repeats the demo; the steps that must fail are marked and do."""
    script = demo / "commands.txt"
    lines = script.read_text(encoding="utf-8").splitlines()
    assert all(line == "" or line.startswith(("# ", "gemel ")) for line in lines)
    marked = [lines[index + 1] for index, line in enumerate(lines) if line.startswith("# It must end with")]
    commands = [line for line in lines if line.startswith("gemel ")]
    assert marked
    codes = {command: output_of(f"{command} >/dev/null 2>&1; echo $?", demo).strip() for command in commands}
    assert codes == {command: "1" if command in marked else "0" for command in commands}
    said = output_of("sh commands.txt", demo)
    assert "not found" not in said
    assert "syntax" not in said
    assert said.count("PASS: ") >= 2
    assert "nothing was written" in said


def test_no_shell_is_left_with_an_error(demo: Path) -> None:
    """The script is sound for a shell that only reads it."""
    done = subprocess.run(["sh", "-n", "commands.txt"], cwd=demo, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
