"""A command run on a terminal of its own, as a person would: typed answers, and all that the screen shows."""

from __future__ import annotations

import os
import select
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest
from runs import environment

LIMIT = 60.0
"""Seconds after which a command that has not ended is given up."""


def on_terminal(folder: Path, words: Sequence[str], answers: Sequence[tuple[str, str]]) -> tuple[int, str]:
    """Run ``gemel WORDS`` in ``folder``; exit code and screen.

    ``answers`` are pairs of what the screen shows before an answer, and the answer, typed with a return.
    """
    typed = [(shown, f"{answer}\n") for shown, answer in answers]
    return program_on_terminal(folder, [sys.executable, "-m", "gemel", *words], typed, environment())


def program_on_terminal(
    folder: Path, command: Sequence[str], typed: Sequence[tuple[str, str]], variables: Mapping[str, str]
) -> tuple[int, str]:
    """The same of any program; ``typed`` is what the screen shows, and the keys that are pressed then."""
    if os.name != "posix":
        pytest.skip("pseudo-terminals are POSIX")
    import pty

    child, screen = pty.fork()
    if child == 0:  # the child: its terminal is stdin, stdout and stderr
        try:
            os.chdir(folder)
            os.execve(command[0], command, variables)
        finally:
            os._exit(127)
    shown, waiting, end = b"", list(typed), time.monotonic() + LIMIT
    seen = 0
    try:
        while block := _next(screen, end):
            shown += block
            if waiting and waiting[0][0].encode() in shown[seen:]:
                seen = len(shown)
                os.write(screen, waiting.pop(0)[1].encode())
    finally:
        os.close(screen)
        _, status = os.waitpid(child, 0)
    text = shown.decode("utf-8", "replace").replace("\r\n", "\n")
    assert not waiting, f"never asked {waiting[0][0]!r}:\n{text}"
    return os.waitstatus_to_exitcode(status), text


def _next(screen: int, end: float) -> bytes:
    """What the screen shows next; nothing at the end."""
    ready, _, _ = select.select([screen], [], [], max(0.0, end - time.monotonic()))
    if not ready:
        pytest.fail("the command waits for something that no answer was foreseen for")
    try:
        return os.read(screen, 4096)
    except OSError:  # Linux says so when the last process has left the terminal
        return b""
