"""How problems and findings are printed: plain words first, colour only on a terminal."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from typing import TextIO

import click

from gemel.errors import GemelError, Problem

LABELS = ("where", "found", "expected", "next")


def colour_wanted(stream: object) -> bool:
    """Whether to colour what goes to ``stream``: a terminal, and NO_COLOR not set (no-color.org)."""
    return not os.environ.get("NO_COLOR") and bool(getattr(stream, "isatty", lambda: False)())


def styled(text: str, stream: object, **style: object) -> str:
    """``text`` in a colour or weight where that is wanted, else as it is."""
    return click.style(text, **style) if colour_wanted(stream) else text  # type: ignore[arg-type]


def problem_lines(problem: Problem, title: str, stream: object, colour: str = "red") -> list[str]:
    """A problem as lines: the sentence, then where, found, expected and what to do next."""
    lines = [f"{styled(title, stream, fg=colour, bold=True)} {problem.what}"]
    values = (problem.where, problem.found, problem.expected, problem.next_step)
    lines += [f"  {label:<9} {value}" for label, value in zip(LABELS, values, strict=True) if value]
    return lines


def print_problems(error: GemelError, verbose: bool = False) -> None:
    """Every problem of an error to stderr, and with ``verbose`` the errors behind it."""
    for problem in error.problems:
        click.echo("\n".join(problem_lines(problem, "error:", sys.stderr)), err=True)
    if len(error.problems) > 1:
        click.echo(f"{len(error.problems)} errors", err=True)
    cause: BaseException | None = error.__cause__
    while verbose and cause is not None:
        click.echo(f"  because   {type(cause).__name__}: {cause}", err=True)
        cause = cause.__cause__


def print_remarks(remarks: Iterable[Problem]) -> None:
    """Oddities that stop nothing, to stderr."""
    for remark in remarks:
        click.echo("\n".join(problem_lines(remark, "remark:", sys.stderr, "yellow")), err=True)


def print_done(text: str) -> None:
    """Say on stdout what was done; when nobody listens any more it is done all the same."""
    try:
        click.echo(text)
    except OSError:
        silence(sys.stdout)


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
