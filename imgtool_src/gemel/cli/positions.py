"""Words of a command line whose layout may be left out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

SUFFIX = ".toml"
OWN = Path("gemel.toml")
"""The layout of the folder, where no other is named."""


def layout_among(words: Sequence[str]) -> tuple[Path | None, list[str]]:
    """The layout's file, which ends in .toml, and the other words; the folder's own if none is named.

    Raises UsageProblem for several layouts.
    """
    layouts = [word for word in words if word.lower().endswith(SUFFIX)]
    if len(layouts) > 1:
        from gemel.errors import Problem, UsageProblem

        raise UsageProblem(Problem("several layouts", found=", ".join(layouts), expected="one"))
    rest = [word for word in words if word not in layouts]
    if layouts:
        return Path(layouts[0]), rest
    return OWN if OWN.is_file() else None, rest
