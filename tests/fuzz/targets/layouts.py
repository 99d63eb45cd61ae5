"""Layouts, with all that is checked of them."""

from __future__ import annotations

from small_device import layout_text

from gemel.errors import GemelError
from gemel.workflows.inputs.layouts import layout_from

REFUSALS = (GemelError,)
SEEDS = [layout_text(add='\n[seal]\narea = "seal"\nrequired = true\ntrust = ["a.pem"]\n').encode()]

FOUND = [SEEDS[0].replace(b"format = 1", b"format = 0x" + b"f" * 9000)]


def decode(data: bytes) -> None:
    """A layout is taken or refused."""
    layout_from(data, "fuzz.toml")
