"""The page that a draft is written on: lines of TOML with their reasons, numbers as a layout writes them."""

from __future__ import annotations

from collections.abc import Iterable

from gemel.text.wrapping import wrapped

COLUMN = 32
"""Where the reasons begin after a key."""

WIDTH = 110
ASK = "ask:"


class Page:
    """Lines of TOML, each key with a comment next to or above it."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def remark(self, text: str, indent: str = "# ") -> None:
        """A comment of its own, in as many lines as it takes."""
        self.lines += [f"# {line}" for line in wrapped(text, WIDTH - 2, indent=len(indent) - 2)]

    def table(self, header: str, comment: str = "") -> None:
        """A blank line and a header, its reason next to it if there is room, else above."""
        self.lines.append("")
        self._beside(f"[{header}]", comment)

    def key(self, name: str, value: str, comment: str = "") -> None:
        """A key with its value as TOML writes it."""
        self._beside(f"{name} = {value}", comment)

    def unset(self, name: str, example: str, question: str) -> None:
        """A key that nobody can guess: commented out, with the question that it answers."""
        self._beside(f"# {name} = {example}".rstrip(), f"{ASK} {question}")

    def blank(self) -> None:
        """An empty line."""
        self.lines.append("")

    def text(self) -> str:
        """Everything written, the last line ended."""
        return "".join(f"{line}\n" for line in self.lines)

    def _beside(self, left: str, comment: str) -> None:
        """``comment`` after ``left``, continued below itself; above it where ``left`` is long."""
        if not comment:
            self.lines.append(left)
        elif len(left) >= COLUMN:
            self.remark(comment)
            self.lines.append(left)
        else:
            first, *others = wrapped(comment, WIDTH - COLUMN - 2)
            self.lines += [f"{left:<{COLUMN}}# {first}", *(f"{'':{COLUMN}}# {line}" for line in others)]


def size_words(size: int) -> str:
    """As a layout writes it: ``"32 KiB"`` where that is exact, else bytes; the reader takes no separators."""
    for unit, name in ((1 << 30, "GiB"), (1 << 20, "MiB"), (1 << 10, "KiB")):
        if size and size % unit == 0:
            return f'"{size // unit} {name}"'
    return f"0x{size:X}" if size else "0"


def listed(words: Iterable[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last
