"""Files that another file names: inside its folder, by every symbolic link, unless that is allowed."""

from __future__ import annotations

import os
from collections.abc import Callable

from gemel.errors import Problem
from gemel.files.paths import FilePath
from gemel.files.reading import FileSource


def leads_outside(folder: FilePath, name: str, where: str) -> Problem | None:
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


def files_beside(file: FilePath) -> Callable[[str], FileSource | None]:
    """Finds the files that ``file`` names, below its folder: by the path that it has for one, or by the name alone."""

    def beside(name: str) -> FileSource | None:
        import ntpath

        for each in (name, ntpath.basename(name)):
            path = file.parent / each
            if each and os.path.isfile(path) and not leads_outside(file.parent, each, ""):
                return FileSource(path)
        return None

    return beside
