"""The lines on which keys of a TOML text stand.

The parser of the standard library gives values without positions.  `lines_of` walks a text that this
parser has accepted again, from key to key, and notes the lines of the paths requested; it does not
read values, and trusts that the text is valid.  A walk takes time in proportion to the text and memory
in proportion to what is asked.  Standard: TOML 1.0.0 (toml.io), sections Keys, Table, Array of Tables.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence

from gemel.layout.kinds import KeyPath

_BLANK = re.compile(r"(?:[ \t\n]|#[^\n]*)*+")
_SPACE = re.compile(r"[ \t]*+")
_KEY = re.compile(r'"(?:[^"\\\n]|\\.)*+"|\'[^\'\n]*+\'|[A-Za-z0-9_-]++')
_STRING = re.compile(
    r'"""(?:[^"\\]|\\[\s\S]|"(?!""))*+"{3,5}'
    r"|'''(?:[^']|'(?!''))*+'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*+"'
    r"|'[^'\n]*+'"
)
_OTHER = re.compile(r"[^,\]}#\n]*+")


def lines_of(text: str, paths: Sequence[KeyPath]) -> list[int]:
    """For each path the line (from 1) of its key, or of its nearest parent that stands in ``text``.

    ``text`` must parse as TOML, with line ends of one character.  An entry of a list has its own line; a
    table has that of its header, or of its first key where it has none.
    """
    walk = _Walk(text, {path[:length] for path in paths for length in range(1, len(path) + 1)})
    if walk.wanted:
        walk.document()
    return [_nearest(walk.lines, path) for path in paths]


def _nearest(lines: dict[KeyPath, int], path: KeyPath) -> int:
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return 1


class _Walk:
    """One pass over a text; ``lines`` holds what was found of ``wanted``."""

    def __init__(self, text: str, wanted: set[KeyPath]) -> None:
        self.wanted = wanted
        self.lines: dict[KeyPath, int] = {}
        self._text = text + "\n"
        self._at = 0
        self._counted_to, self._line = 0, 1
        self._last_of: dict[KeyPath, int] = {}

    def document(self) -> None:
        """Walk the whole text, statement by statement."""
        table: KeyPath = ()
        self._skip(_BLANK)
        while self._at < len(self._text):
            if self._text[self._at] == "[":
                table = self._header()
            else:
                self._value(self._key(table))
            self._skip(_BLANK)

    def _header(self) -> KeyPath:
        """``[a.b]`` or ``[[a.b]]``; gives the path of the table that it opens."""
        several = self._text.startswith("[[", self._at)
        self._at += 2 if several else 1
        steps = self._steps()
        self._at += 2 if several else 1
        path: KeyPath = ()
        for step in steps[:-1]:
            path = self._into_last((*path, step))
            self._note(path)
        path = (*path, steps[-1])
        if several:
            self._note(path)
            self._last_of[path] = self._last_of.get(path, -1) + 1
            path = self._into_last(path)
        self._note(path, by_header=True)
        return path

    def _into_last(self, path: KeyPath) -> KeyPath:
        """``path``, or the last entry so far where it is an array of tables."""
        self._note(path)
        return (*path, self._last_of[path]) if path in self._last_of else path

    def _key(self, table: KeyPath) -> KeyPath:
        """A key with all its dotted parts and the equals sign; gives its path."""
        path = table
        for step in self._steps():
            path = (*path, step)
            self._note(path)
        self._at += 1
        self._skip(_SPACE)
        return path

    def _steps(self) -> list[str]:
        """The parts of a dotted key, up to what follows it."""
        steps = []
        while True:
            self._skip(_SPACE)
            start = self._at
            self._skip(_KEY)
            steps.append(_plain_key(self._text[start : self._at]))
            self._skip(_SPACE)
            if self._text[self._at] != ".":
                return steps
            self._at += 1

    def _value(self, path: KeyPath) -> None:
        """A value with all in it; ``open_values`` are the lists (next position) and tables (-1) around it."""
        open_values: list[tuple[KeyPath, int]] = []
        while True:
            character = self._text[self._at]
            if character in "[{":
                self._at += 1
                open_values.append((path, 0 if character == "[" else -1))
            else:
                self._skip(_STRING if character in "\"'" else _OTHER)
            inner = self._next_in(open_values)
            if inner is None:
                return
            path = inner

    def _next_in(self, open_values: list[tuple[KeyPath, int]]) -> KeyPath | None:
        """The path of the next value in the innermost open one, closing those that end; None for none."""
        while open_values:
            self._skip(_BLANK)
            character = self._text[self._at]
            if character == ",":
                self._at += 1
            elif character in "]}":
                self._at += 1
                open_values.pop()
            else:
                parent, position = open_values[-1]
                if position < 0:
                    return self._key(parent)
                open_values[-1] = parent, position + 1
                path = (*parent, position)
                self._note(path)
                return path
        return None

    def _skip(self, pattern: re.Pattern[str]) -> None:
        if match := pattern.match(self._text, self._at):
            self._at = match.end()

    def _note(self, path: KeyPath, by_header: bool = False) -> None:
        """Keep the current line for ``path`` unless it has one; a table's own header counts before others."""
        if path in self.wanted and (by_header or path not in self.lines):
            self._line += self._text.count("\n", self._counted_to, self._at)
            self._counted_to = self._at
            self.lines[path] = self._line


def _plain_key(written: str) -> str:
    if written[:1] == '"' and "\\" in written:
        decoded: str = tomllib.loads(f"key = {written}")["key"]
        return decoded
    return written[1:-1] if written[:1] in "\"'" else written
