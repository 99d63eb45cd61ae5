"""Lines of text whose pieces carry a style, and the signs that a terminal can or cannot print.

A style is a name; what colour it gets, if any, is decided by what prints.  No style says anything
that the words next to it do not.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from typing import Literal, TypeAlias

from gemel.structs import NamedTuple, Struct
from gemel.text.escaping import on_one_line

Style = Literal["", "title", "name", "dim", "build", "record", "other", "good", "bad"]


class Styled(NamedTuple):
    """A piece of a line."""

    text: str
    style: Style = ""


Line: TypeAlias = tuple[Styled, ...]


class Signs(Struct):
    """The characters of pictures; ``levels`` are a cell that is free, under half, over half and all used."""

    levels: tuple[str, str, str, str]
    no_area: str
    elsewhere: str
    cut: str

    @property
    def all(self) -> str:
        """Every character, to see whether a terminal can print them."""
        return "".join((*self.levels, self.no_area, self.elsewhere, self.cut))


BLOCKS = Signs(("░", "▒", "▓", "█"), "─", "·", "…")
"""For terminals with block characters."""

ASCII = Signs((".", "+", "*", "#"), "-", " ", "~")
"""For every other."""


def width_of(text: str) -> int:
    """Columns that ``text`` takes: two for wide characters (Unicode Standard Annex 11), none for marks."""
    if text.isascii():
        return len(text)
    return sum(
        0 if unicodedata.combining(char) else 2 if unicodedata.east_asian_width(char) in "WF" else 1
        for char in text
    )


def printable(text: str, signs: Signs) -> str:
    """``text`` with control characters escaped and, for ASCII signs, everything but ASCII."""
    return on_one_line(text, only_ascii=signs is ASCII)


def shortened(text: str, width: int, signs: Signs) -> str:
    """``text`` cut to ``width`` columns, the cut marked."""
    if width_of(text) <= width:
        return text
    kept = ""
    for char in text:
        if width_of(kept + char) > width - 1:
            break
        kept += char
    return kept + signs.cut if width > 0 else ""


def padded(text: str, width: int, signs: Signs) -> str:
    """``text`` in exactly ``width`` columns, cut or filled with spaces."""
    text = shortened(text, width, signs)
    return text + " " * (width - width_of(text))


def fitted(line: Iterable[Styled], width: int, signs: Signs) -> Line:
    """The line with control characters made visible, cut at ``width`` columns, no spaces at its end."""
    pieces: list[Styled] = []
    left = width
    for piece in line:
        text = shortened(printable(piece.text, signs), left, signs)
        left -= width_of(text)
        if pieces and pieces[-1].style == piece.style:
            text = pieces.pop().text + text
        pieces.append(Styled(text, piece.style))
    while pieces and not pieces[-1].text.rstrip():
        pieces.pop()
    if pieces:
        pieces[-1] = Styled(pieces[-1].text.rstrip(), pieces[-1].style)
    return tuple(pieces)


def wrapped(pieces: Iterable[Styled], width: int, indent: int) -> list[Line]:
    """The pieces' words in lines of ``width`` columns; lines after the first begin with ``indent`` spaces.

    A word longer than a line stands alone and is cut later by ``fitted``.
    """
    lines: list[list[Styled]] = [[]]
    column = 0
    for space, word in _words(pieces):
        size = sum(width_of(piece.text) for piece in word)
        if column + len(space.text) + size > width and column > indent:
            lines.append([Styled(" " * indent)])
            column = indent
        else:
            lines[-1].append(space)
            column += len(space.text)
        lines[-1] += word
        column += size
    return [tuple(line) for line in lines]


def _words(pieces: Iterable[Styled]) -> list[tuple[Styled, list[Styled]]]:
    """Each word with the spaces before it; a word may be made of several pieces."""
    words: list[tuple[Styled, list[Styled]]] = [(Styled(""), [])]
    for piece in pieces:
        for token in re.findall(" +|[^ ]+", piece.text):
            if token[0] == " ":
                words.append((Styled(token, piece.style), []))
            else:
                words[-1][1].append(Styled(token, piece.style))
    return words
