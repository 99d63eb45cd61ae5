"""What is said where the system or Python ends a command: each has its words, its next step and exit code 2."""

from __future__ import annotations

import errno
import json
from pathlib import Path

import pytest

from gemel.cli.endings import exit_code_of

ENDINGS = {
    "memory": (MemoryError(), ("out of memory; no output was changed", "give the process more memory")),
    "depth": (
        RecursionError("maximum recursion depth exceeded"),
        (
            "the input is nested too deeply; no output was changed",
            "make sure that each file is what it should be",
        ),
    ),
    "disk": (
        OSError(errno.EIO, "Input/output error", "image.hex"),
        ("the system refused; no output was changed", "where     image.hex", "found     Input/output error"),
    ),
    "name in bytes": (
        OSError(errno.EIO, "Input/output error", b"image-\xff.hex"),
        ("the system refused", "found     Input/output error"),
    ),
    "a descriptor": (
        OSError(errno.EIO, "Input/output error", 3),
        ("the system refused", "Input/output error"),
    ),
    "no reader": (
        BrokenPipeError(errno.EPIPE, "Broken pipe"),
        ("the result cannot be printed", "its reader has gone"),
    ),
    "full terminal": (
        OSError(errno.ENOSPC, "No space left on device"),
        ("cannot be printed", "No space left"),
    ),
    "our fault": (KeyError("area"), ("this is a fault in gemel", "where     KeyError", "gemel -v ...")),
}


@pytest.mark.parametrize("name", ENDINGS)
def test_each_end_has_its_words(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """One error of its own, without a traceback; exit code 2."""
    error, said = ENDINGS[name]
    assert exit_code_of(error, ["check"]) == 2
    seen = capsys.readouterr().err
    assert seen.count("error: ") == 1
    assert "Traceback" not in seen
    for words in said:
        assert words in seen


@pytest.mark.parametrize("name", ["memory", "depth", "disk", "our fault"])
def test_programs_are_told_too(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """With a form for programs the same problem is on stdout, in that form."""
    error, said = ENDINGS[name]
    assert exit_code_of(error, ["check", "--format", "json", "image.hex"]) == 2
    assert json.loads(capsys.readouterr().out)["problems"][0]["what"].startswith(said[0])


def test_verbose_says_where_it_was(capsys: pytest.CaptureFixture[str]) -> None:
    """With -v the lines of the program follow, outermost first."""
    with pytest.raises(ValueError, match="Expecting value") as caught:
        json.loads(Path(__file__).name)
    assert exit_code_of(caught.value, ["-v", "check"]) == 2
    seen = capsys.readouterr().err
    assert "this is a fault in gemel" in seen
    assert f"  at        {Path(__file__).name}:" in seen
