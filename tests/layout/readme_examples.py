"""The examples of layouts/README.md: pieces of layouts completed by the whole one, messages as printed.

Run as a program it writes the messages that the README shows anew.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

from gemel.checksums.in_layout import checksum_faults
from gemel.cli.printing import problem_lines
from gemel.errors import LayoutError
from gemel.layout.reader import read_layout

README = Path(__file__).resolve().parents[2] / "layouts" / "README.md"
FILE = "layout.toml"
_BLOCK = re.compile(r"^```(toml|text)\n(.*?)^```\n", re.MULTILINE | re.DOTALL)


class Example(NamedTuple):
    """One piece of TOML, and the text that must be told of it (empty: nothing)."""

    toml: str
    told: str

    @property
    def name(self) -> str:
        """Its first line."""
        return self.toml.split("\n", 1)[0]


def examples(text: str | None = None) -> list[Example]:
    """Every example of the README in order; the first is the whole layout that completes the others."""
    blocks = [(match[1], match[2]) for match in _BLOCK.finditer(text or README.read_text(encoding="utf-8"))]
    found = []
    for index, (language, body) in enumerate(blocks):
        if language == "toml":
            following = blocks[index + 1] if index + 1 < len(blocks) else ("", "")
            found.append(Example(body, following[1] if following[0] == "text" else ""))
    return found


def completed(piece: str, whole: str) -> str:
    """``piece`` behind ``whole``, in the place of tables of the same name; its plain keys in front."""
    keys, *tables = _tables(piece)
    first, *others = _tables(whole)
    own = {_header(table) for table in tables}
    kept = [table for table in others if _header(table) not in own]
    return "".join([keys, first, *kept, *tables])


def _tables(text: str) -> list[str]:
    """The text before the first header, then each table from its header on."""
    return re.split(r"^(?=\[)", text, flags=re.MULTILINE)


def _header(table: str) -> str:
    return table.split("\n", 1)[0]


def told_of(layout: str) -> str:
    """What a command prints of a layout; empty where there is nothing to tell."""
    try:
        read_layout(layout.encode(), FILE, [checksum_faults])
    except LayoutError as error:
        lines = [line for problem in error.problems for line in problem_lines(problem, "error:", None)]
        lines += [f"{len(error.problems)} errors"] if len(error.problems) > 1 else []
        return "\n".join(lines) + "\n"
    return ""


def rewritten(text: str) -> str:
    """The README with the messages as they are now."""
    whole, *pieces = examples(text)
    for piece in pieces:
        if piece.told:
            shown = f"```toml\n{piece.toml}```\n\n```text\n"
            text = text.replace(shown + piece.told, shown + told_of(completed(piece.toml, whole.toml)))
    return text


if __name__ == "__main__":
    README.write_text(rewritten(README.read_text(encoding="utf-8")), encoding="utf-8")
