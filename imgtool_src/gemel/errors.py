"""The error types.  Each carries its problems as data; what prints them lives in ``cli``.

A problem says what is wrong, where, what was found, what was expected and what to do next.  An error
carries every problem that was seen, not the first one, and the exit code that goes with its kind.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from gemel.structs import KW_ONLY, Struct

LABELS = ("where", "found", "expected", "next")
"""What stands before the parts of a problem."""


class Problem(Struct):
    """One thing that is wrong, in words for the person who has to correct it.

    ``what`` is a sentence without a full stop.  ``where`` is a file, ``file:line``, build or address
    span.  The other parts may be empty where they would only repeat it.
    """

    what: str
    _: KW_ONLY
    where: str = ""
    found: str = ""
    expected: str = ""
    next_step: str = ""

    def __str__(self) -> str:
        parts = [f"{self.where}: {self.what}" if self.where else self.what]
        if self.found:
            parts.append(f"found {self.found}")
        if self.expected:
            parts.append(f"expected {self.expected}")
        if self.next_step:
            parts.append(self.next_step)
        return "; ".join(parts)


class GemelError(Exception):
    """Root of every error that gemel raises on purpose; ``problems`` holds at least one problem."""

    exit_code = 2
    """Process exit code: 2 the work could not be done, 1 a rule is broken."""

    def __init__(
        self,
        problems: Iterable[Problem] | Problem | str,
        *,
        where: str = "",
        found: str = "",
        expected: str = "",
        next_step: str = "",
    ) -> None:
        """Take several problems, one, or the parts of one; raises ValueError for none."""
        if isinstance(problems, str):
            problems = Problem(problems, where=where, found=found, expected=expected, next_step=next_step)
        self.problems: tuple[Problem, ...] = (problems,) if isinstance(problems, Problem) else tuple(problems)
        if not self.problems:
            raise ValueError("an error needs at least one problem")

    def __str__(self) -> str:
        return "\n".join(map(str, self.problems))


class LayoutError(GemelError):
    """The layout file is not valid."""


class BuildError(GemelError):
    """A build (ELF, HEX, S-record or raw binary of one core) cannot be read."""


class ImageFormatError(GemelError):
    """An image file (HEX, S-record) is malformed."""


class ExtraMissing(GemelError):
    """An optional library that this command needs is not installed; the problem names the extra."""


class UsageProblem(GemelError):
    """The command cannot be done as requested (names, options, missing input)."""


class OutputError(GemelError):
    """An output file could not be written; none of the command's outputs was changed."""


class JoinRefused(GemelError):
    """The builds cannot be joined as they are: a rule of placement is broken."""

    exit_code = 1


def all_of(*works: Callable[[], Any]) -> tuple[Any, ...]:
    """What each of ``works`` gives; what keeps several of them from being done is raised as one error."""
    results, errors = [], []
    for work in works:
        try:
            results.append(work())
        except GemelError as error:
            errors.append(error)
    try:
        if len(errors) > 1:
            raise type(errors[0])(problem for each in errors for problem in each.problems) from errors[0]
        if errors:
            raise errors[0]
    finally:
        errors.clear()  # else the error and this function hold each other, and all that callers have read
    return tuple(results)


MIN_BEGINNING = 4
"""Characters from which on a word counts as the beginning of another one."""

MAX_NEAR_LENGTH = 80
"""Characters of a word that a near one is looked for at most."""

MAX_NEAR = 3
"""Words that a hint names at most."""


def nearest_hint(found: str, known: Iterable[str], prefix: str = "") -> str:
    """``did you mean "x"?`` for the known word nearest to ``found``; empty when none is near.

    Words that ``found`` is the beginning of come first: of a few of them all are named.  ``prefix`` is before
    each of them, and makes none of them nearer.
    """
    from difflib import get_close_matches

    if len(found) > MAX_NEAR_LENGTH:
        return ""
    found = found.removeprefix(prefix)
    words = [word.removeprefix(prefix) for word in known]
    longer = [word for word in words if word.casefold().startswith(found.casefold())]
    if len(found) < MIN_BEGINNING or not 0 < len(longer) <= MAX_NEAR:
        longer = get_close_matches(found, words, 1, 0.65)
    near = " or ".join(f'"{prefix}{word}"' for word in longer)
    return f"did you mean {near}?" if near else ""
