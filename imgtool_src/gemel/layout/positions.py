"""The line on which a key of a TOML text stands, found with the TOML parser itself.

The parser gives values without positions.  A key's line is that of the shortest prefix of the text, cut
at line ends, in which the parser sees the key.  That holds for every way TOML can write a key
(headers, dotted keys, inline tables, arrays of tables), and costs nothing while a layout is valid.
"""

from __future__ import annotations

import tomllib
from typing import Any

from gemel.layout.kinds import KeyPath


class Positions:
    """Finds lines in one TOML text; parses prefixes only when asked, and each at most once."""

    def __init__(self, text: str) -> None:
        """Take the whole text, which must parse."""
        self._lines = text.splitlines(keepends=True)
        self._prefixes: dict[int, dict[str, Any] | None] = {}

    def line_of(self, path: KeyPath) -> int:
        """The line (from 1) of the key at ``path``, or of its nearest parent that stands in the text.

        A value over several lines is given by the line on which it starts.
        """
        while path:
            line = self._first_line_with(path)
            if line:
                return line
            path = path[:-1]
        return 1

    def _first_line_with(self, path: KeyPath) -> int:
        """Bisect for the first whole prefix that holds ``path``; 0 when even the whole text does not."""
        without, holding = 0, len(self._lines)
        if not self._holds(holding, path):
            return 0
        while True:
            middle = self._next_whole((without + holding) // 2 or 1, holding)
            if middle >= holding or middle <= without:
                middle = self._previous_whole(holding)
                if middle <= without:
                    return without + 1 + self._blank_lines_from(without)
            if self._holds(middle, path):
                holding = middle
            else:
                without = middle

    def _blank_lines_from(self, line: int) -> int:
        """How many lines behind ``line`` are blank or comments, which the parser reads as nothing."""
        count = 0
        for text in self._lines[line:]:
            stripped = text.strip()
            if stripped and not stripped.startswith("#"):
                break
            count += 1
        return count

    def _next_whole(self, line: int, end: int) -> int:
        """The first line from ``line`` on at which the text so far is whole TOML, at most ``end``."""
        while line < end and self._parsed(line) is None:
            line += 1
        return line

    def _previous_whole(self, line: int) -> int:
        """The last line before ``line`` at which the text so far is whole TOML; 0 for none."""
        line -= 1
        while line > 0 and self._parsed(line) is None:
            line -= 1
        return line

    def _parsed(self, line: int) -> dict[str, Any] | None:
        if line not in self._prefixes:
            try:
                self._prefixes[line] = tomllib.loads("".join(self._lines[:line]))
            except tomllib.TOMLDecodeError:
                self._prefixes[line] = None
        return self._prefixes[line]

    def _holds(self, line: int, path: KeyPath) -> bool:
        node: Any = self._parsed(line)
        for step in path:
            if isinstance(step, int):
                if not isinstance(node, list) or step >= len(node):
                    return False
            elif not isinstance(node, dict) or step not in node:
                return False
            node = node[step]
        return True
