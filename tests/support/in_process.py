"""gemel's command line run in this process: for tests of what a command says, writes and ends with.

A process of its own takes a quarter of a second more.  Tests about the process (signals, limits, pipes, foreign
folders, what is imported) start one: ``runs.py``.
"""

from __future__ import annotations

import contextlib
import io
import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from unittest import mock

from gemel.cli.main import exit_code


def _output() -> io.TextIOWrapper:
    return io.TextIOWrapper(io.BytesIO(), "utf-8", errors="backslashreplace", newline="")


def run_here(
    *words: str | bytes | Path, cwd: Path, changes: Mapping[str, str] | None = None, stdin: bytes = b""
) -> subprocess.CompletedProcess[str]:
    """Run ``gemel WORDS`` in ``cwd`` with ``changes`` of the environment; what a process of its own would give.

    The width and colour that the environment of the tests asks for are left out of account.
    """
    out, err = _output(), _output()
    given = io.TextIOWrapper(io.BufferedReader(io.BytesIO(stdin)), "utf-8")  # type: ignore[arg-type]
    arguments = [os.fsdecode(word) for word in words]
    with (
        contextlib.chdir(cwd),
        mock.patch.dict(os.environ, {"PYTHONIOENCODING": "utf-8", **(changes or {})}),
        mock.patch.object(sys, "stdin", given),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        for name in {"COLUMNS", "NO_COLOR"} - set(changes or ()):
            os.environ.pop(name, None)
        code = exit_code(arguments)
    said = []
    for stream in (out, err):
        stream.flush()
        said.append(stream.buffer.getvalue().decode("utf-8", "replace"))  # type: ignore[attr-defined]
    return subprocess.CompletedProcess(["gemel", *arguments], code, *said)


def bytes_here(
    *words: str | bytes | Path, cwd: Path, changes: Mapping[str, str] | None = None, stdin: bytes = b""
) -> subprocess.CompletedProcess[bytes]:
    """The same with the bytes of both streams."""
    done = run_here(*words, cwd=cwd, changes=changes, stdin=stdin)
    return subprocess.CompletedProcess(done.args, done.returncode, done.stdout.encode(), done.stderr.encode())
