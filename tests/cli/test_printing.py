"""How problems are printed: wrapped within the terminal, one line never looking like another."""

from __future__ import annotations

import io
import textwrap

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gemel.cli.printing import problem_lines as lines_on
from gemel.cli.printing import prose_width, written_words
from gemel.errors import Problem
from gemel.text.escaping import on_one_line

LONG = Problem(
    "a sentence that is so long that no line of a terminal of eighty columns holds all of it at once",
    where="build station (folder/station.elf)",
    found="0x1000_0000..0x1000_0FFF, 4 KiB (4,096 bytes), of which 256 bytes from 0x1000_0400 on differ",
    expected="something else",
    next_step="do " + "this " * 40,
)


class Terminal(io.StringIO):
    """A stream that says that it is a terminal."""

    def isatty(self) -> bool:
        """It is."""
        return True


def problem_lines(problem: Problem) -> list[str]:
    """The lines on a stream that is no terminal."""
    return lines_on(problem, "error:", io.StringIO())


@pytest.fixture(autouse=True)
def _no_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)


def test_lines_fit_and_are_aligned() -> None:
    """A long problem takes lines of at most 80 columns, each below the text that it goes on with."""
    assert problem_lines(LONG)[:6] == [
        "error: a sentence that is so long that no line of a terminal of eighty columns",
        "       holds all of it at once",
        "  where     build station (folder/station.elf)",
        "  found     0x1000_0000..0x1000_0FFF, 4 KiB (4,096 bytes), of which 256 bytes",
        "            from 0x1000_0400 on differ",
        "  expected  something else",
    ]
    assert all(len(line) <= 80 for line in problem_lines(LONG))


@pytest.mark.parametrize(("columns", "width"), [("60", 60), ("80", 80), ("93", 93), ("250", 250), ("3", 40)])
def test_the_width_is_the_terminals(monkeypatch: pytest.MonkeyPatch, columns: str, width: int) -> None:
    """As wide as the terminal, and no narrower than can be read."""
    monkeypatch.setenv("COLUMNS", columns)
    assert prose_width(Terminal()) == width


def test_a_long_name_stays_whole() -> None:
    """A path longer than the line is not cut: it can be copied."""
    path = "folder/" * 20 + "fw.elf"
    assert f"  where     {path}" in problem_lines(Problem("what", where=path))


@given(st.text(st.characters()))
def test_nothing_forges_a_line(text: str) -> None:
    """Whatever a name holds, the problem's lines are those of its parts, and every sign is printable."""
    lines = problem_lines(Problem("what", where=text))
    assert all(line.isprintable() for line in lines)
    assert lines[0] == "error: what"
    assert all(line.startswith(("  where ", "            ")) for line in lines[1:])


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain grösse.elf", "plain grösse.elf"),
        ("a\nerror: b", r"a\nerror: b"),
        ("\x1b[31mred", r"\x1b[31mred"),
        ("tab\tcr\r", r"tab\tcr\r"),
        ("\udcff.elf", r"\xff.elf"),
        ("right\u202eleft", r"right\u202eleft"),
        ("\ud800", r"\ud800"),
        ("\U000e0001", r"\U000e0001"),
    ],
)
def test_escapes(text: str, shown: str) -> None:
    """Control and direction characters and bytes that are no text (PEP 383) show as escapes."""
    assert on_one_line(text) == shown


def test_the_line_about_outputs_is_one_line() -> None:
    """``wrote`` with a line break in a name stays one line."""
    from pathlib import Path

    assert written_words([Path("a\nb.hex"), Path("c.bin")]) == r"wrote a\nb.hex, c.bin"


def test_words_are_those_of_the_problem() -> None:
    """Wrapping loses no word and adds none."""
    value = " ".join(LONG.found.split())
    lines = problem_lines(LONG)
    start = next(index for index, line in enumerate(lines) if line.startswith("  found"))
    end = next(index for index, line in enumerate(lines) if line.startswith("  expected"))
    told = " ".join(textwrap.dedent(line[12:]).strip() for line in lines[start:end])
    assert told == value
