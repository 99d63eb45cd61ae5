"""Libraries that only a release uses, imported where they are used; a missing one is named with its extra."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from gemel.errors import ExtraMissing

EXTRA = "release"


def library(module: str, use: str) -> Any:
    """The module of that name; ``use`` says what it is needed for.  Raises ExtraMissing."""
    try:
        return import_module(module)
    except ImportError as error:
        raise ExtraMissing(
            f"{use} needs a library that is not installed",
            found=f"no module {module}",
            expected=module.partition(".")[0],
            next_step=f"pip install 'gemel[{EXTRA}]'",
        ) from error
