"""A problem on one line, in the form that editors and CI servers parse.

::

    FILE:LINE: error: what is wrong; found ...; expected ...; next step [name]

The GNU Coding Standards, "Formatting Error Messages", have ``sourcefile:lineno: message`` for what is in a file and
``program: message`` for what is in none; the word after the place and the name at the end are as compilers write them.
"""

from __future__ import annotations

from gemel.text.escaping import on_one_line
from gemel.text.wrapping import step_lines


def problem_line(
    place: str, word: str, what: str, found: str = "", expected: str = "", next_step: str = "", name: str = ""
) -> str:
    """The line, without its end; ``place`` is ``file:line``, or empty where the problem is in no file."""
    parts = [what]
    parts += [f"found {found}"] if found else []
    parts += [f"expected {expected}"] if expected else []
    parts += [" ".join(step_lines(next_step)).rstrip(".")] if next_step else []
    end = f" [{name}]" if name else ""
    return on_one_line(f"{place or 'gemel'}: {word}: {'; '.join(parts)}{end}")
