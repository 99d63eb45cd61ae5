"""Whether to colour: what was requested, else the environment, else whether it goes to a terminal."""

from __future__ import annotations

import os

_chosen = ["auto"]


def choose_colour(choice: str) -> None:
    """Colour ``always``, ``never``, or as ``colour_wanted`` says (``auto``), from now on in this process."""
    _chosen[0] = choice


def colour_wanted(stream: object) -> bool:
    """Whether to colour what goes to ``stream``.

    NO_COLOR (no-color.org) comes before FORCE_COLOR (force-color.org), each set and not empty; then a terminal
    that takes control sequences.
    """
    if _chosen[0] != "auto":
        return _chosen[0] == "always"
    if os.environ.get("NO_COLOR"):
        return False
    return bool(os.environ.get("FORCE_COLOR")) or takes_control_sequences(stream)


def takes_control_sequences(stream: object) -> bool:
    """Whether ``stream`` is a terminal, and not one that is called dumb (TERM=dumb: common practice)."""
    return bool(getattr(stream, "isatty", lambda: False)()) and os.environ.get("TERM") != "dumb"
