"""README.md, the help texts and the behaviour say the same."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from readme_examples import PYTHON, README, console_blocks, output_of, prepared, with_output

from gemel.cli.catalogue import COMMANDS
from gemel.cli.with_click import gemel

TEXT = README.read_text(encoding="utf-8")
posix = pytest.mark.skipif(os.name != "posix", reason="the examples are written for a POSIX shell")


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's folder."""
    return prepared(tmp_path_factory.mktemp("readme"))


@posix
@pytest.mark.parametrize(
    "block", console_blocks(TEXT), ids=lambda block: block.splitlines()[-1][:0] or block[:60]
)
def test_every_example_prints_what_the_readme_shows(block: str, demo: Path) -> None:
    """Each console block of the README, run in the demo's folder, prints exactly what stands below it."""
    assert with_output(block, demo) == block, "run tests/readme_examples.py and read what changed"


@posix
def test_the_python_examples_run(demo: Path) -> None:
    """The README's Python example runs in the demo's folder and prints version and release."""
    told = []
    for code in PYTHON.findall(TEXT):
        run = subprocess.run(
            [sys.executable, "-c", code], cwd=demo, capture_output=True, text=True, timeout=600
        )
        assert (run.returncode, run.stderr) == (0, "")
        told.append(run.stdout)
    assert told == ["1.4.2 releases sampler, vectors 0x1000_8000\n"]


def test_the_readme_lists_every_command() -> None:
    """The README's table of commands has a row for each command of the tool, and no other."""
    rows = re.findall(r"^\| `gemel (\w+)", TEXT, re.MULTILINE)
    assert sorted(rows) == sorted(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_the_help_begins_with_the_sentence_that_the_list_shows(name: str) -> None:
    """Each command's help starts with the one sentence that `gemel --help` shows for it."""
    command = gemel.get_command(None, name)  # type: ignore[arg-type]
    assert command is not None
    first = (command.help or "").splitlines()[0]
    assert first == COMMANDS[name]
    assert first.endswith(".")


@posix
def test_the_examples_in_the_helps_run(demo: Path) -> None:
    """The example at the end of each command's help runs in the demo's folder; keys come first."""
    for name in sorted(COMMANDS, key=lambda name: name != "keys"):
        command = gemel.get_command(None, name)  # type: ignore[arg-type]
        assert command is not None
        last = (command.help or "").rstrip().splitlines()[-1].strip()
        assert last.startswith(f"gemel {name}"), "the help ends with an example"
        assert output_of(f"{last} >/dev/null && echo fine", demo).strip().endswith("fine"), name


def test_the_readme_names_the_exit_codes_and_the_caution() -> None:
    """The README states all three exit codes and that a passing check is evidence, not an approval."""
    for words in (
        "**0** all holds",
        "**1** a rule is broken",
        "**2** the",
        "evidence, not a safety approval",
    ):
        assert words in TEXT
