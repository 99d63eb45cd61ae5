"""Sentences and labelled values as lines of a given width, for problems, findings and reports alike."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable

from gemel.text.escaping import on_one_line


def wrapped(text: str, width: int, head: str = "", indent: int = 0) -> list[str]:
    """``text`` after ``head`` as lines of ``width`` columns, further ones ``indent`` more to the right than it.

    Control characters are escaped; words, and so file names, spans and addresses, stay whole.
    """
    return textwrap.wrap(
        on_one_line(text),
        width,
        initial_indent=head,
        subsequent_indent=" " * (len(head) + indent),
        break_long_words=False,
        break_on_hyphens=False,
    )


def label_head(label: str) -> str:
    """What stands before a value: its label in a column of its own."""
    return f"  {label:<9} "


def labelled_lines(values: Iterable[tuple[str, str]], width: int) -> list[str]:
    """A line or more for each label and value; a label that repeats is not said again."""
    lines: list[str] = []
    last = ""
    for label, value in values:
        lines += wrapped(value, width, label_head("" if label == last else label))
        last = label
    return lines


def markdown_lines(text: str, width: int) -> list[str]:
    """Markdown with its paragraphs and list items filled to ``width``; code, tables and headings stay as they are."""
    lines: list[str] = []
    for part in re.split(r"^(```.*?^```)$", text, flags=re.MULTILINE | re.DOTALL):
        blocks = [part] if part.startswith("```") else re.split(r"\n\n+|\n(?=- )", part.strip("\n"))
        for block in filter(None, blocks):
            if lines and lines[-1] and not (block.startswith("- ") and lines[-1][:2] in ("- ", "  ")):
                lines.append("")
            if block.startswith(("```", "|", "#")):
                lines += block.splitlines()
            else:
                lines += wrapped(" ".join(block.split()), width, indent=2 if block.startswith("- ") else 0)
    return lines
