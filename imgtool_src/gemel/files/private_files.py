"""Files that nobody else should be able to read: private keys, pass phrases."""

from __future__ import annotations

import os
import stat

from gemel.errors import Problem
from gemel.files.paths import FilePath


def open_to_others(path: FilePath, what: str, where: str, step: str) -> list[Problem]:
    """What is to be said of ``what`` in ``path`` that others may read or change, with the next ``step``.

    Nothing on Windows: access lists are not looked at.  Nothing of pipes and the like.
    """
    if os.name != "posix":
        return []
    try:
        mode = os.stat(path).st_mode
    except (OSError, ValueError):  # gone since it was read
        return []
    if not stat.S_ISREG(mode) or not mode & 0o077:
        return []
    return [
        Problem(
            f"others may read or change this {what}",
            where=where,
            found=f"mode {mode & 0o777:04o}",
            expected="mode 0600",
            next_step=step,
        )
    ]
