"""How a command ends that did not come to its own end: words for the user, and an exit code."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from typing import Any

from gemel.cli.catalogue import COMMANDS
from gemel.cli.echo import echo
from gemel.cli.printing import in_colour, print_problems, problem_lines, silence
from gemel.errors import GemelError, Problem
from gemel.text.escaping import in_utf_8, on_one_line

NOTHING_CHANGED = "no output was changed"

NOTHING_WRITTEN = "nothing was written"
"""The last line of a command whose outputs a broken rule kept back."""

NO_IMAGE_WRITTEN = "no image was written"
"""The same where reports are written all the same."""


@contextmanager
def kept_when_stopped(words: str) -> Iterator[None]:
    """Within it a stop leaves something: ``words`` are said in place of that no output was changed."""
    try:
        yield
    except KeyboardInterrupt as stop:
        stop.add_note(words)
        raise


def exit_code_of(error: BaseException, arguments: Sequence[str]) -> int:
    """Say on stderr what ``error`` means for the user and return the exit code: 2, or 1 for a broken rule.

    130 and the like (128 and the number of the signal) when the process was asked to stop.  Where the command
    line requests a form for programs, the problems are on stdout in that form too.
    """
    try:
        code = _said(error, verbose=bool({"-v", "--verbose"} & set(arguments)))
        form = _form_asked_for(arguments) if code <= 2 else ""
        if form:
            from gemel.workflows.problem_report import problem_document

            command = next((word for word in arguments if not word.startswith("-")), "")
            text = problem_document(problems_of(error), form, code, command if command in COMMANDS else "")
            echo(in_utf_8(text), nl=False)
        return code
    except OSError:  # stderr or stdout cannot be written to either
        silence(sys.stderr)
        return 2


def _form_asked_for(arguments: Sequence[str]) -> str:
    """The form for programs that the command line requests, of those that can say why there is no result."""
    words = [*arguments, *(f"{word}={value}" for word, value in pairwise(arguments) if word == "--format")]
    forms = ("json", "sarif", "junit", "lines", "html")
    return next((form for form in forms if f"--format={form}" in words), "")


def problems_of(error: BaseException) -> tuple[Problem, ...]:
    """What is wrong, as data, whatever kind of error it is."""
    if isinstance(error, GemelError):
        return error.problems
    click: Any = sys.modules.get("click")
    if click and isinstance(error, click.ClickException):
        from gemel.cli.usage_problems import problem_of_usage

        return (problem_of_usage(error),)
    return (_problem_of(error),)


def _said(error: BaseException, verbose: bool) -> int:
    error = _stop_as_cause(error) or error
    click: Any = sys.modules.get("click")  # loaded where click had to look at the line
    if click and isinstance(error, click.ClickException):
        return _said_of_usage(error)
    # click leaves by SystemExit, and only then, when the reader of its output has gone.
    gone = isinstance(error, SystemExit) or (isinstance(error, BrokenPipeError) and not error.filename)
    cause = BrokenPipeError(None, "its reader has gone") if gone else error
    if isinstance(cause, OSError) and not cause.filename:
        # Every file that is read or written has its own error: what is left is the terminal or pipe.
        silence(sys.stdout)
        _say(
            Problem(
                f"the result cannot be printed; {NOTHING_CHANGED}",
                where="stdout",
                found=_reason(cause),
                next_step="give stdout a reader, or a device with room",
            )
        )
        return 2
    if isinstance(error, GemelError):
        print_problems(error, verbose)
        if error.exit_code == 1:
            from gemel.workflows.problem_report import REFUSED

            echo(NOTHING_WRITTEN, err=True)
            echo(in_colour(REFUSED, sys.stderr), err=True)
        return error.exit_code
    if isinstance(error, KeyboardInterrupt) or (click and isinstance(error, click.Abort)):
        if isinstance(error, KeyboardInterrupt) and sys.stderr and sys.stderr.isatty():
            echo("", err=True)  # the terminal shows ^C where the cursor was
        # click turns what stopped it into its own Abort and keeps it as the cause.
        stop = error.__cause__ or error
        kept = getattr(stop, "__notes__", None)
        echo(f"stopped; {kept[-1] if kept else NOTHING_CHANGED}", err=True)
        code: int = getattr(stop, "exit_code", 130)
        return code if code > 128 else 130
    _say(_problem_of(error))
    if verbose:
        for line in _trail(error):
            echo(on_one_line(line), err=True)
    return 2


def _stop_as_cause(error: BaseException) -> KeyboardInterrupt | None:
    """The stop that ``error`` came of: what is stopped inside a class statement ends as a RuntimeError."""
    cause: BaseException | None = error
    while cause is not None and isinstance(error, RuntimeError):
        if isinstance(cause, KeyboardInterrupt):
            return cause
        cause = cause.__cause__ or cause.__context__
    return None


def _said_of_usage(error: Any) -> int:
    context = getattr(error, "ctx", None)
    if (
        type(error).__name__ == "NoArgsIsHelpError" and context is not None
    ):  # no words at all: the help is shown
        echo(context.get_help(), err=True)
        return 2
    from gemel.cli.usage_problems import problem_of_usage

    _say(problem_of_usage(error))
    return 2


def _problem_of(error: BaseException) -> Problem:
    if isinstance(error, MemoryError):
        return Problem(
            f"out of memory; {NOTHING_CHANGED}",
            next_step="give the process more memory; make sure that the files are what they should be",
        )
    if isinstance(error, RecursionError):
        return Problem(
            f"the input is nested too deeply; {NOTHING_CHANGED}",
            next_step="make sure that each file is what it should be",
        )
    if isinstance(error, OSError):
        return Problem(
            f"the system refused; {NOTHING_CHANGED}",
            where=os.fsdecode(error.filename) if isinstance(error.filename, str | bytes) else "",
            found=_reason(error),
            next_step="remove what the system names, then run the command again",
        )
    return Problem(
        "this is a fault in gemel, not in your input",
        where=type(error).__name__,
        found=str(error),
        next_step="run it again as gemel -v ... and report what it says",
    )


def _say(problem: Problem) -> None:
    echo("\n".join(problem_lines(problem, "error:", sys.stderr)), err=True)


def _trail(error: BaseException) -> list[str]:
    """Where in the program it happened, outermost first."""
    import traceback

    return [
        f"  at        {os.path.basename(frame.filename)}:{frame.lineno} {frame.name}"
        for frame in traceback.extract_tb(error.__traceback__)
    ]


def _reason(error: OSError) -> str:
    return error.strerror or str(error)
