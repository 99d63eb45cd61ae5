"""Reading layouts in tests: as a command does, with what other rooms know of checksums."""

from __future__ import annotations

import re

import pytest

from gemel.checksums.in_layout import checksum_faults
from gemel.errors import LayoutError, Problem
from gemel.layout.reader import ReadLayout, read_layout

FILE = "small.toml"


def read(text: str | bytes) -> ReadLayout:
    """The layout, read."""
    data = text.encode() if isinstance(text, str) else text
    return read_layout(data, FILE, [checksum_faults])


def problems(text: str | bytes) -> tuple[Problem, ...]:
    """What the reader says of a faulty layout; it must say something, as LayoutError, with exit code 2."""
    with pytest.raises(LayoutError) as caught:
        read(text)
    if caught.value.exit_code != 2:
        pytest.fail(f"exit code {caught.value.exit_code}")
    return caught.value.problems


def messages(text: str | bytes) -> list[str]:
    """The same as lines of text."""
    return [str(problem) for problem in problems(text)]


def line_of(problem: Problem) -> int:
    """The line that a problem points at; fails where it points at none."""
    match = re.fullmatch(rf"{re.escape(FILE)}:(\d+)", problem.where)
    if match is None:
        pytest.fail(f"no line in {problem.where!r}")
    return int(match[1])
