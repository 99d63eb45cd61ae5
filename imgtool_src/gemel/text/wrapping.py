"""Sentences and labelled values as lines of a given width, for problems, findings and reports alike."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from gemel.text.escaping import on_one_line


def wrapped(text: str, width: int, head: str = "", indent: int = 0) -> list[str]:
    """``text`` after ``head`` as lines of ``width`` columns, further ones ``indent`` more to the right than it.

    Control characters are escaped; words, and so file names, spans and addresses, stay whole.  Lines are those of
    the standard library's ``textwrap``, whose import takes a fiftieth of a join.
    """
    lines: list[str] = []
    rest = on_one_line(text).rstrip()
    while rest:
        end = len(rest)
        if len(head) + end > width:
            first = len(rest) - len(rest.lstrip())
            end = rest.rfind(" ", first, max(width - len(head), 0) + 1)
            if end < 0 and first:
                rest = rest[first:]
                continue
            if end < 0:
                end = rest.find(" ")
        lines.append(head + (rest if end < 0 else rest[:end].rstrip()))
        rest = "" if end < 0 else rest[end:].lstrip()
        head = " " * (len(head) + indent) if len(lines) == 1 else head
    return lines


def label_head(label: str, margin: int = 2) -> str:
    """What stands before a value: ``margin`` spaces, and its label in a column of its own."""
    return f"{'':{margin}}{label:<9} "


def labelled_lines(values: Iterable[tuple[str, str]], width: int, margin: int = 2) -> list[str]:
    """A line or more for each label and value; a label that repeats is not said again."""
    lines: list[str] = []
    last = ""
    for label, value in values:
        lines += wrapped(value, width, label_head("" if label == last else label, margin))
        last = label
    return lines


def step_lines(step: str) -> list[str]:
    """A next step in lines: sentences, and lines of TOML that are to be added to a file as they are."""
    return re.split(r"\n(?=\[|[a-z_]+ = |if |else )", step)


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


def first_of(words: Sequence[object], most: int = 4) -> str:
    """``a, b and 3 more``: the first ``most`` of ``words``, and the number of the others."""
    more = f" and {len(words) - most:,} more" if len(words) > most else ""
    return ", ".join(map(str, words[:most])) + more
