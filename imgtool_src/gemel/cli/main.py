"""The command ``gemel``: its sub-commands by name, loaded when used, and how errors become exit codes."""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Sequence
from io import TextIOWrapper

from gemel.cli.catalogue import COMMANDS, loaded
from gemel.version import __version__

COMPLETE = "_GEMEL_COMPLETE"
"""The variable by which a shell asks what may be completed; its name is click's convention."""


def prepare_process() -> None:
    """Set this process up for one command and out."""
    # The search for cycles would take a tenth of a join's time and find nothing.
    gc.disable()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def exit_code(arguments: Sequence[str]) -> int:
    """Run one command line in this process and say on stderr what went wrong; the exit code."""
    try:
        return _run(list(arguments))
    except BaseException as error:
        try:
            from gemel.cli.endings import exit_code_of
        except Exception:
            if isinstance(error, KeyboardInterrupt):  # it left a module of Python's own half imported
                return _stopped_while_importing()
            raise
        return exit_code_of(error, arguments)


def _stopped_while_importing() -> int:
    """Say that Ctrl-C stopped the run, without any further module; the exit code."""
    if sys.stderr is not None:
        sys.stderr.write("stopped; no output was changed\n")
    return 130


def _run(arguments: list[str]) -> int:
    """Run a line that is in order by itself, any other by click."""
    if instruction := os.environ.get(COMPLETE):
        from gemel.cli.with_click import answer

        return answer(COMPLETE, instruction)
    if arguments in (["--help"], ["-h"]):
        from gemel.cli.echo import echo
        from gemel.cli.first_help import first_help

        echo(first_help())
        return 0
    if arguments == ["--version"]:
        from gemel.cli.echo import echo

        echo(f"gemel {__version__}")
        return 0
    words = arguments[1:] if arguments[:1] in (["-v"], ["--verbose"]) else arguments
    if words and words[0] in COMMANDS:
        command, words = loaded(words[0]), words[1:]
        while command.below is not None and words and words[0] in command.below:
            command, words = command.below[words[0]], words[1:]
        values = None if command.below is not None else command.values_of(words)
        if values is not None:
            result = command.run(**values)
            return result if isinstance(result, int) else 0
    from gemel.cli.with_click import gemel

    result = gemel.main(arguments, prog_name="gemel", standalone_mode=False)
    return result if isinstance(result, int) else 0
