"""Files that another file names: inside its folder, by every symbolic link, unless that is allowed."""

from __future__ import annotations

import os
from pathlib import Path

from gemel.errors import Problem


def leads_outside(folder: Path, name: str, where: str) -> Problem | None:
    """What is wrong with a file ``name`` of ``folder`` that is none of its own; ``where`` names it."""
    try:
        root, real = os.path.realpath(folder), os.path.realpath(folder / name)
        if os.path.commonpath([root, real]) == root:
            return None
    except ValueError:  # another drive, or no path at all
        pass
    return Problem(
        "a path leads out of the layout's folder",
        where=where,
        found=name,
        expected="a file below it, links followed",
        next_step="copy the file there, or give --paths-outside if you trust the layout with every file of yours",
    )
