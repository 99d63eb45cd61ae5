"""How problems and findings are printed: plain words first, within the terminal, colour only on one."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, TextIO

from gemel.cli.echo import coloured, echo
from gemel.errors import LABELS, GemelError, Problem
from gemel.files.paths import FilePath
from gemel.text.escaping import on_one_line
from gemel.text.wrapping import label_head
from gemel.text.wrapping import wrapped as wrapped_in

if TYPE_CHECKING:
    from gemel.image.image import ImageFile

DEFAULT_WIDTH = 80
MIN_WIDTH = 40
"""Columns: where no terminal is, and the least that text is made for."""

HEADS = {
    "BROKEN ": "red",
    "FAIL: ": "red",
    "WARNING ": "yellow",
    "NOTE ": "cyan",
    "NOT SEALED: ": "yellow",
    "NOT ENOUGH SIGNERS YET: ": "yellow",
    "waived ": "cyan",
    "PASS: ": "green",
    "NO VERDICT: ": "yellow",
    "STARTED: ": "yellow",
}
"""The words that findings and the verdict begin with, and their colours."""


_chosen = ["auto"]


def choose_colour(choice: str) -> None:
    """Colour ``always``, ``never``, or as ``colour_wanted`` says (``auto``), from now on in this process."""
    _chosen[0] = choice


def colour_wanted(stream: object) -> bool:
    """Whether to colour what goes to ``stream``.

    NO_COLOR (no-color.org) comes before FORCE_COLOR (force-color.org), each set and not empty; then a terminal
    that takes control sequences.
    """
    if _chosen[0] != "auto":
        return _chosen[0] == "always"
    if os.environ.get("NO_COLOR"):
        return False
    return bool(os.environ.get("FORCE_COLOR")) or takes_control_sequences(stream)


def takes_control_sequences(stream: object) -> bool:
    """Whether ``stream`` is a terminal, and not one that is called dumb (TERM=dumb: common practice)."""
    return bool(getattr(stream, "isatty", lambda: False)()) and os.environ.get("TERM") != "dumb"


def styled(text: str, stream: object, *, fg: str | None = None, bold: bool = False, dim: bool = False) -> str:
    """``text`` in a colour or weight where that is wanted, else as it is."""
    return coloured(text, fg, bold, dim) if colour_wanted(stream) else text


def in_colour(text: str, stream: object = None) -> str:
    """A report with the heads of findings and the verdict in colour, where that is wanted on ``stream`` (stdout)."""
    lines = text.split("\n")
    for at, line in enumerate(lines):
        if head := next((each for each in HEADS if line.startswith(each)), None):
            word = head.rstrip()
            lines[at] = styled(word, stream or sys.stdout, fg=HEADS[head], bold=True) + line[len(word) :]
    return "\n".join(lines)


def terminal_width(stream: object) -> int:
    """The terminal's columns; 80 where the output goes elsewhere, unless COLUMNS says otherwise."""
    if not os.environ.get("COLUMNS") and not getattr(stream, "isatty", lambda: False)():
        return DEFAULT_WIDTH
    import shutil

    return shutil.get_terminal_size((DEFAULT_WIDTH, 24)).columns


def prose_width(stream: object) -> int:
    """Columns that sentences take on ``stream``: its width, and no less than 40."""
    return max(MIN_WIDTH, terminal_width(stream))


def list_width(stream: object) -> int:
    """Columns of a list with a line an item: as ``prose_width``, and no limit where a program reads it."""
    if not os.environ.get("COLUMNS") and not getattr(stream, "isatty", lambda: False)():
        return sys.maxsize
    return prose_width(stream)


def wrapped(text: str, stream: object, head: str = "", indent: int = 0) -> list[str]:
    """``text`` after ``head`` as lines that fit ``stream``, those that follow ``indent`` more to the right."""
    return wrapped_in(text, prose_width(stream), head, indent)


def help_with_rows(text: str, mark: str, rows: Iterable[tuple[str, str]]) -> str:
    """A help with names and what they mean at ``mark``, as wide as it is shown; click moves them right by two."""
    from inspect import cleandoc

    listed = list(rows)
    width = prose_width(sys.stdout) - 4
    first = max(len(name) for name, _ in listed) + 2
    lines = [line for name, meaning in listed for line in wrapped_in(meaning, width, f"  {name:<{first}}")]
    return cleandoc(text).replace(mark, "\n".join(lines))


def problem_lines(problem: Problem, title: str, stream: object, colour: str = "red") -> list[str]:
    """A problem as lines: the sentence, then where, found, expected and what to do next."""
    first, *others = wrapped(problem.what, stream, f"{title} ") or [title]
    lines = [styled(title, stream, fg=colour, bold=True) + first[len(title) :], *others]
    values = (problem.where, problem.found, problem.expected, problem.next_step)
    for label, value in zip(LABELS, values, strict=True):
        lines += wrapped(value, stream, label_head(label)) if value else []
    return lines


def print_problems(error: GemelError, verbose: bool = False) -> None:
    """Every problem of an error to stderr, and with ``verbose`` the errors that caused it."""
    for problem in error.problems:
        echo("\n".join(problem_lines(problem, "error:", sys.stderr)), err=True)
    if len(error.problems) > 1:
        echo(f"{len(error.problems)} errors", err=True)
    cause: BaseException | None = error.__cause__
    while verbose and cause is not None:
        for line in wrapped(f"{type(cause).__name__}: {cause}", sys.stderr, "  because   "):
            echo(line, err=True)
        cause = cause.__cause__


_quiet = False


def be_quiet(quiet: bool) -> None:
    """Print no remarks from now on, or print them again."""
    global _quiet
    _quiet = quiet


def print_remarks(remarks: Iterable[Problem]) -> None:
    """Oddities that stop nothing, to stderr; none where --quiet is given."""
    for remark in () if _quiet else remarks:
        echo("\n".join(problem_lines(remark, "remark:", sys.stderr, "yellow")), err=True)


def written_words(paths: Iterable[FilePath]) -> str:
    """``wrote a.hex, b.bin``, on one line whatever the names are."""
    return f"wrote {', '.join(on_one_line(str(path)) for path in paths)}"


def written_lines(files: Mapping[FilePath, ImageFile], width: int, judged: FilePath | None) -> list[str]:
    """Each image that was written, with its size and SHA-256 unless the result is about it (``judged``)."""
    lines: list[str] = []
    for path, file in files.items():
        name = "standard output" if str(path) == "-" else str(path)
        more = "" if path == judged else f", {file.size:,} bytes, SHA-256 {file.sha256.hex()}"
        value = f"{name}{more}"
        lines += wrapped_in(value, width, label_head("" if lines else "wrote", 0))
    return lines


def print_diagnostic(text: str) -> None:
    """Say on stderr what was done; when nobody listens any more it is done all the same."""
    try:
        echo(text, err=True)
    except OSError:
        silence(sys.stderr)


def print_done(text: str) -> None:
    """Say on stdout what was done, on stderr where nobody listens there any more: it is done all the same."""
    try:
        echo(text)
    except OSError:
        silence(sys.stdout)
        echo(text, err=True)


def silence(stream: TextIO | None) -> None:
    """Lead ``stream`` to nowhere: Python would try again at exit, and complain in its own words."""
    if stream is None:
        return
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)
    except (OSError, ValueError):
        return
