"""How a process of the command line ends."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

RUN = """
import atexit, sys, threading, time
from gemel.cli.entry import run

def late():
    time.sleep(0.1)
    print("the thread ended")

def registered(arguments):
    atexit.register(print, "registered by the command")
    threading.Thread(target=late).start()
    return code(arguments)
import gemel.cli.main as main
code, main.exit_code = main.exit_code, registered
run()
"""


@pytest.mark.parametrize(("words", "code", "stream"), [("--version", 0, 1), ("explain no-such-page", 2, 2)])
def test_what_a_command_started_ends_first(words: str, code: int, stream: int, tmp_path: Path) -> None:
    """Threads end, what was registered runs, both streams are written out; then the process leaves with its code."""
    outputs = [tmp_path / name for name in ("stdout", "stderr")]
    with outputs[0].open("w") as out, outputs[1].open("w") as err:
        done = subprocess.run(
            [sys.executable, "-c", RUN, *words.split()], stdout=out, stderr=err, check=False
        )
    said, problems = (file.read_text(encoding="utf-8") for file in outputs)
    assert done.returncode == code
    assert said.splitlines()[-2:] == ["the thread ended", "registered by the command"]
    assert (said, problems)[stream - 1].startswith(("gemel ", "error: "))
    assert "Traceback" not in problems


def test_the_reason_stays_where_output_cannot_be_written() -> None:
    """A full disk under stdout is an error, also where what is left over is written at the very end."""
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "gemel", "explain"],
            stdout=full,
            capture_output=False,
            stderr=subprocess.PIPE,
            check=False,
        )
    assert done.returncode == 2
    assert b"No space left on device" in done.stderr
