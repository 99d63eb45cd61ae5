"""``gemel --help``, written as click writes it, without importing click.

A test compares it with click's at every width.
"""

from __future__ import annotations

import os
import textwrap

from gemel.cli.catalogue import COMMANDS, EPILOG, HELP, OPTIONS

MAX_WIDTH, MIN_WIDTH, MAX_NAME = 1000, 50, 30
"""Columns: limits for the page, and of the names that explanations are next to (click's own)."""


def first_help() -> str:
    """The page, for this terminal's width; ends without a newline."""
    width = max(min(_columns(), MAX_WIDTH) - 2, MIN_WIDTH)
    sentence, _, example = HELP.partition("\n\n\b\n")
    lines = ["Usage: gemel [OPTIONS] COMMAND [ARGS]...", "", *_paragraph(sentence, width), ""]
    lines += [f"  {line}" for line in example.splitlines()]
    lines += ["", "Options:", *_rows(OPTIONS, width), "", "Commands:", *_rows(COMMANDS, width), ""]
    return "\n".join([*lines, *_paragraph(EPILOG, width)])


def _columns() -> int:
    """The terminal's columns as ``shutil.get_terminal_size`` finds them, which takes long to import."""
    try:
        columns = int(os.environ.get("COLUMNS", ""))
    except ValueError:
        columns = 0
    if columns <= 0:
        try:
            columns = os.get_terminal_size(1).columns
        except (OSError, ValueError):
            columns = 0
    return columns or 80


def _paragraph(text: str, width: int) -> list[str]:
    return textwrap.wrap(" ".join(text.split()), width, initial_indent="  ", subsequent_indent="  ")


def _rows(rows: dict[str, str], width: int) -> list[str]:
    """Names and explanations in two columns."""
    second = min(max(map(len, rows)), MAX_NAME) + 4
    lines = []
    for name, text in rows.items():
        first, *others = textwrap.wrap(text, max(width - second, 10))
        lines.append(f"  {name}".ljust(second) + first)
        lines += [" " * second + line for line in others]
    return lines
