"""Limits of the command line, each at both its sides."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from gemel.cli import first_help
from gemel.cli.commands.explain import MIN_SENTENCE
from gemel.cli.first_help import MAX_NAME, MAX_WIDTH, MIN_WIDTH
from gemel.cli.main import exit_code
from gemel.cli.positions import MAX_FILES
from gemel.cli.printing import MIN_WIDTH as LEAST_OF_TEXT
from gemel.cli.printing import prose_width


@pytest.mark.parametrize("command", ["check", "show"])
def test_the_most_files_of_a_dump(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """As many files as the limit are read as one dump, one more is refused as such."""
    monkeypatch.chdir(tmp_path)
    for count, one_too_many in ((MAX_FILES, False), (MAX_FILES + 1, True)):
        images = [f"{number}.hex" for number in range(count)]
        assert exit_code([command, "gauge.toml", *images, "--from-device"]) == 2
        assert ("one file too many" in capsys.readouterr().err) == one_too_many


def test_the_widths_of_the_first_page(monkeypatch: pytest.MonkeyPatch) -> None:
    """The page is as wide as the terminal between its limits, of which the upper one is lowered here."""

    def page(columns: int) -> str:
        monkeypatch.setenv("COLUMNS", str(columns))
        return first_help.first_help()

    least = MIN_WIDTH + 2
    assert page(1) == page(least) != page(least + 2)
    assert max(map(len, page(MAX_WIDTH).splitlines())) <= MAX_WIDTH
    monkeypatch.setattr(first_help, "MAX_WIDTH", 70)
    assert page(68) != page(70) == page(71) == page(200)


def test_the_least_of_a_rules_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A list of rules has so many columns of each sentence, in whole words, or none of any."""

    def row(columns: int) -> str:
        monkeypatch.setenv("COLUMNS", str(columns))
        assert exit_code(["explain"]) == 0
        return next(line for line in capsys.readouterr().out.splitlines() if "seal-present" in line)

    least = row(80).index("error") + len("warning") + MIN_SENTENCE
    assert row(least - 1).endswith("error")
    assert row(least).endswith("  Where the layout ...")
    assert len(row(least)) <= least


def test_the_longest_name_next_to_its_explanation() -> None:
    """Explanations are two columns after names up to the longest."""
    short, long = (first_help._rows({"x" * size: "text"}, 80)[0] for size in (MAX_NAME, MAX_NAME + 1))
    assert short == "  " + "x" * MAX_NAME + "  text"
    assert long == "  " + "x" * (MAX_NAME + 1) + " text"


@pytest.mark.parametrize("more", [-1, 0, 1])
def test_the_least_width_of_text(more: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Text is made for the terminal's width, or for the least one."""
    monkeypatch.setenv("COLUMNS", str(LEAST_OF_TEXT + more))
    assert prose_width(sys.stdout) == LEAST_OF_TEXT + max(0, more)
