"""How processes of our own start: isolated, so that no folder or variable says which modules they import."""

from __future__ import annotations

import os
import sys
from typing import Any

KEPT = ("SYSTEMROOT",)
"""Variables of the environment that the other process gets: Windows starts nothing without this one."""

OWN = "import sys; sys.path.insert(0, sys.argv[1]); import gemel; del sys.path[0]; sys.path += sys.argv[1:]"
"""What the other process executes first: its gemel is this one, where another one is installed too."""

FINDER = "from gemel.module_finder import find_by_byte_code; find_by_byte_code('gemel')"
"""What it executes then, so that it starts sooner."""


def isolated(code: str) -> dict[str, Any]:
    """What ``subprocess`` takes to run ``code`` in an interpreter of its own, with gemel's modules to import.

    Neither the working folder nor the environment says which modules it imports, and it inherits no open file.
    """
    return {
        "args": [
            sys.executable,
            "-I",
            "-P",
            "-c",
            f"{OWN}; {FINDER}; {code}",
            *_installed(),
        ],
        "env": {name: os.environ[name] for name in KEPT if name in os.environ},
        "cwd": os.path.abspath(os.sep),
        "close_fds": True,
    }


def how_it_ended(code: int) -> str:
    """How a process ended, by its exit code."""
    if code >= 0:
        return f"it ended with {code}"
    import signal

    try:
        return f"it crashed ({signal.Signals(-code).name})"
    except ValueError:
        return f"it crashed (signal {-code})"


def _installed() -> list[str]:
    """The folders that the other process needs besides its interpreter's own.

    Isolated from PYTHONPATH, the working folder and, by that, from the user's own packages, it would find
    neither a gemel that runs from its source nor packages that a user installed for all.
    """
    import site
    from pathlib import Path

    here = str(Path(__file__).resolve().parents[1])
    users = [site.getusersitepackages()] if site.ENABLE_USER_SITE else []
    return [here, *users]
