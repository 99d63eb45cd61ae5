"""Tools of the system that tests run: found, or the test is skipped with the reason.

Where ``GEMEL_REQUIRE_TOOLS=1`` is set, as in CI, a missing tool fails the test instead.
"""

from __future__ import annotations

import os
import shutil

import pytest


def required_tool(name: str) -> str:
    """The path of the program ``name``; skips or fails the running test where there is none."""
    path = shutil.which(name)
    if path is None:
        reason = f"{name} is not installed"
        if os.environ.get("GEMEL_REQUIRE_TOOLS") == "1":
            pytest.fail(f"{reason}, and GEMEL_REQUIRE_TOOLS=1 asks for it")
        pytest.skip(reason)
    return path
