"""What a check says of one place: it holds, a finding, or not checked and why.  Plain data, as problems are."""

from __future__ import annotations

from typing import TypeAlias

from gemel.spans import Span
from gemel.structs import KW_ONLY, Struct


class Holds(Struct):
    """The rule was applied at one place and holds there."""

    where: str


class Finding(Struct):
    """One place where the rule does not hold.

    ``parties`` are the names (of areas, builds, cores, memories, stamps, checksums) that it concerns;
    a waiver names one of them.  ``where`` says for people where it is, ``span`` gives the plain
    addresses if there are any.  ``what`` is a sentence without a full stop.  ``lines`` are further
    lines of evidence for the reader, such as two tables side by side.  ``follows_from`` names the rule whose
    finding on the first of these parties is the cause of this one; empty where it is a cause itself.
    """

    what: str
    parties: tuple[str, ...]
    _: KW_ONLY
    where: str = ""
    found: str = ""
    expected: str = ""
    span: Span | None = None
    next_step: str = ""
    lines: tuple[str, ...] = ()
    follows_from: str = ""


class NotChecked(Struct):
    """The rule could not be applied at one place; ``reason`` says what it would take."""

    where: str
    reason: str


Outcome: TypeAlias = Holds | Finding | NotChecked
