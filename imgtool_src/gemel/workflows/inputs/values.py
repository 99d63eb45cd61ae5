"""Values of options: dates and versions."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from gemel.errors import UsageProblem

if TYPE_CHECKING:
    import datetime

    from gemel.placement.placed import Version


def date_of(text: str | None) -> datetime.date | None:
    """A date from the command line; raises UsageProblem unless it is YYYY-MM-DD."""
    import datetime

    if text is None:
        return None
    try:
        if re.fullmatch("[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
            return datetime.date.fromisoformat(text)
    except ValueError:
        pass
    raise UsageProblem(
        "not a date", where="--date", found=text, expected="YYYY-MM-DD", next_step="write it as 2027-06-30"
    )


def version_of(text: str | None, where: str = "--version") -> Version | None:
    """A version given at ``where``; raises UsageProblem unless it is X.Y.Z in the record's ranges."""
    from gemel.placement.placed import Version

    if text is None:
        return None
    from gemel.layout.kinds import nearest_version

    parts = text.split(".")
    limits = (0xFFFF, 0xFFFF, 0xFFFF_FFFF)
    sound = len(parts) == 3 and all(part.isascii() and part.isdigit() and len(part) <= 10 for part in parts)
    if not sound or any(int(part) > limit for part, limit in zip(parts, limits, strict=True)):
        expected = "X.Y.Z, at most 65535.65535.4294967295"
        near = nearest_version(text)
        step = f"write {near}" if near else "write three numbers, as in 1.4.2"
        raise UsageProblem("not a version", where=where, found=text, expected=expected, next_step=step)
    return Version.of(text)
