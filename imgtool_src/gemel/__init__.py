"""gemel joins the builds of a two-core microcontroller's cores into one flash image and proves it."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gemel.rehearsal import rehearse as rehearse

from gemel.version import __version__ as __version__


def __getattr__(name: str) -> object:
    """``gemel.rehearse``, imported when it is first asked for; a bare ``import gemel`` costs nothing."""
    if name == "rehearse":
        from gemel.rehearsal import rehearse as rehearse

        return rehearse
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
