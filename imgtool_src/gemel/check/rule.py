"""What a rule is, and what it can say about an image."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

from gemel.spans import Span

if TYPE_CHECKING:
    from gemel.inspection.inspection import Subject

Severity = Literal["error", "warning", "note"]
"""error: the image is refused; warning: it works but someone should decide; note: worth knowing."""


@dataclass(frozen=True, slots=True)
class Holds:
    """The rule was applied at one place and holds there."""

    where: str


@dataclass(frozen=True, slots=True)
class Finding:
    """One place where the rule does not hold.

    ``parties`` are the names (of areas, builds, cores, memories, stamps, checksums) that it concerns;
    a waiver names one of them.  ``where`` says for people where it is, ``span`` gives the plain
    addresses if there are any.  ``what`` is a sentence without a full stop.  ``lines`` are further
    lines of evidence for the reader, such as two tables side by side.
    """

    what: str
    parties: tuple[str, ...]
    where: str = ""
    found: str = ""
    expected: str = ""
    span: Span | None = None
    next_step: str = ""
    lines: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class NotChecked:
    """The rule could not be applied at one place; ``reason`` says what it would take."""

    where: str
    reason: str


Outcome: TypeAlias = Holds | Finding | NotChecked


@dataclass(frozen=True, slots=True)
class Rule:
    """One named thing that must hold.

    ``name`` reads as the thing that must hold, in lower case with hyphens.  ``checks`` says in one
    sentence what is looked at; ``why`` what happens on the device when it is broken; ``remedy`` what
    to do; ``source`` a published standard with its section, or ``common practice``, with ``from
    memory`` where the text was not at hand.  ``check`` yields one outcome for each place that it
    looked at; nothing at all means that there was nothing to look at, and ``absent`` says why.
    """

    name: str
    severity: Severity
    checks: str
    why: str
    remedy: str
    source: str
    absent: str
    check: Callable[[Subject], Iterable[Outcome]]
