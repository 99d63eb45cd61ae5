"""Rehearsal: the reset code of both cores, run from the image's own bytes in an emulated device.

::

    from gemel.layout.reader import read_layout
    from gemel.rehearsal import rehearse

    rehearsal = rehearse(read_layout(text, "layout.toml"), image, builds)
    assert rehearsal.passes
    assert rehearsal.event("released").numbers["vectors"] == 0x1000_8000

The names below are imported when they are first needed, as the process that emulates needs none of them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gemel.rehearsal.limits import limits_page
    from gemel.rehearsal.result import Rehearsal, RehearsalFinding
    from gemel.rehearsal.session import RehearsalOptions, rehearse
    from gemel.rehearsal.setup.planning import CannotRehearse

__all__ = ["CannotRehearse", "Rehearsal", "RehearsalFinding", "RehearsalOptions", "limits_page", "rehearse"]

_HOMES = {
    "CannotRehearse": "setup.planning",
    "Rehearsal": "result",
    "RehearsalFinding": "result",
    "RehearsalOptions": "session",
    "limits_page": "limits",
    "rehearse": "session",
}


def __getattr__(name: str) -> Any:
    """Import one of the public names; raises AttributeError for any other."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__} has no attribute {name}")
    from importlib import import_module

    return getattr(import_module(f"gemel.rehearsal.{_HOMES[name]}"), name)
