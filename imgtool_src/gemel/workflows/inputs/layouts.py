"""Layouts read for the commands, and what is reported of the other files of a command line next to their faults."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from gemel.errors import Problem
from gemel.files.paths import FilePath
from gemel.files.reading import beginning_of
from gemel.layout.reader import MAX_BYTES, ReadLayout, read_layout
from gemel.structs import replace
from gemel.workflows.inputs.builds import builds_at

if TYPE_CHECKING:
    from pathlib import Path


def load_layout(path: str | Path, *, paths_outside: bool = False) -> ReadLayout:
    """The layout in a TOML file, with every check that there is; raises LayoutError or UsageProblem.

    ``paths_outside`` lets the files that it names be anywhere, not in its folder alone.
    """
    data = beginning_of(FilePath(path), MAX_BYTES)
    return replace(layout_from(data, str(path)), paths_outside=paths_outside)


def load_layout_and_files(
    path: FilePath, builds: Sequence[str], *, paths_outside: bool = False
) -> tuple[ReadLayout, dict[str, FilePath], list[Problem]]:
    """A layout with its builds' files and remarks, as ``load_layout`` and ``builds_at`` have them."""
    read = load_layout(path, paths_outside=paths_outside)
    return read, *builds_at(read, builds)


def layout_from(data: bytes, file: str) -> ReadLayout:
    """The layout in ``data``, with every check that there is; ``file`` is its name in messages."""
    from gemel.checking.rule_changes import severity_faults, waiver_faults
    from gemel.checksums.in_layout import checksum_faults
    from gemel.seals.demands import seal_faults

    return read_layout(data, file, [checksum_faults, seal_faults, waiver_faults, severity_faults])
