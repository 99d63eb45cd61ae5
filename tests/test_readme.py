"""README.md, the help texts and the behaviour say the same."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from readme_examples import EXAMPLES, PYTHON, README, console_blocks, output_of, prepared, with_output

from gemel.cli.catalogue import COMMANDS
from gemel.cli.with_click import gemel

TEXT = README.read_text(encoding="utf-8")
PAGE = EXAMPLES.read_text(encoding="utf-8")
MOST_LINES = 250
"""Lines that the README may have: what is longer goes to a page of ``gemel explain``."""
posix = pytest.mark.skipif(os.name != "posix", reason="the examples are written for a POSIX shell")


def test_the_readme_is_short() -> None:
    """A README is read before the first use, and not for long."""
    assert len(TEXT.splitlines()) <= MOST_LINES


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's folder."""
    return prepared(tmp_path_factory.mktemp("readme"))


@pytest.fixture(scope="module")
def second_demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same for the examples page: a layout that one page's commands leave does not change the other's."""
    return prepared(tmp_path_factory.mktemp("examples"))


RUN: dict[Path, int] = {}
"""How many console blocks of its page were run in a folder: each needs what those before it leave there."""


@posix
@pytest.mark.parametrize(
    ("page", "number"),
    [(page, number) for page in (TEXT, PAGE) for number in range(len(console_blocks(page)))],
    ids=lambda each: each if isinstance(each, int) else each[:20].strip(),
)
def test_every_example_prints_what_the_page_shows(
    page: str, number: int, demo: Path, second_demo: Path
) -> None:
    """Each console block of README and examples page, each in a demo's folder, prints what stands below it."""
    folder = demo if page == TEXT else second_demo
    blocks = console_blocks(page)
    for before in blocks[RUN.get(folder, 0) : number]:
        with_output(before, folder)
    RUN[folder] = number + 1
    assert with_output(blocks[number], folder) == blocks[number], (
        "run tests/readme_examples.py and read what changed"
    )


@posix
def test_the_python_examples_run(second_demo: Path) -> None:
    """The Python example of the page runs in the demo's folder and prints version and release."""
    told = []
    for code in PYTHON.findall(PAGE):
        run = subprocess.run(
            [sys.executable, "-c", code], cwd=second_demo, capture_output=True, text=True, timeout=600
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
