"""Kinds of command-line values that several commands take."""

from __future__ import annotations

from pathlib import Path

import click

FILE = click.Path(path_type=Path, readable=False)
"""A file's name.  Whether it can be read is told where it is read, with the system's reason."""


def address(value: str) -> int:
    """A 32-bit address, written as in a layout: 0x1000_0000 or 268435456.

    Raises click.BadParameter with what was found and expected.
    """
    try:
        number = int(value, 0)
    except ValueError:
        number = -1
    if not 0 <= number <= 0xFFFF_FFFF:
        raise click.BadParameter(f"{value!r} is not an address; expected 0x0000_0000 to 0xFFFF_FFFF")
    return number
