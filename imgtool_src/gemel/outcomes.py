"""What a check says of one place: it holds, a finding, not checked, or does not apply.  Plain data, as problems are."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal, TypeAlias

from gemel.spans import Span
from gemel.structs import KW_ONLY, NamedTuple, Struct

NeedKind = Literal["build", "symbol", "key", "option", "extra", "layout", "rule"]
"""What a check may lack: a build's file, a symbol of a build, a trusted public key, an option of the command, an
optional library, a key of the layout, or that another rule holds first."""


NOT_FOUND = "nothing of the build was found in the image"
"""Why nothing can be said of a build of which no bytes are known."""


class Need(NamedTuple):
    """One thing that it takes to check a place.

    ``name`` is the build's, the symbol's (empty: the symbol table), the option with its hyphens, the extra's, the
    layout's key or the rule's; empty for a key, of which any trusted one serves.  ``build`` is whose symbol.
    """

    kind: NeedKind
    name: str = ""
    build: str = ""


class Reason(str):
    """Why a place was not checked: a text for people that carries what it takes as data.

    No needs: what is given cannot show it.
    """

    needs: tuple[Need, ...]

    def __new__(cls, words: str, *needs: Need) -> Reason:
        """``words`` that name all ``needs``."""
        made = super().__new__(cls, words)
        made.needs = needs
        return made

    @classmethod
    def joined(cls, reasons: Iterable[str]) -> Reason:
        """Several reasons as one: their words after each other, their needs together."""
        every = list(dict.fromkeys(reasons))
        needs = dict.fromkeys(need for each in every for need in needs_of(each))
        return cls("; ".join(every), *needs)


def needs_of(reason: str) -> tuple[Need, ...]:
    """What it takes by ``reason``; nothing for a plain text."""
    return reason.needs if isinstance(reason, Reason) else ()


class Holds(Struct):
    """The rule was applied at one place and holds there."""

    where: str


class Finding(Struct):
    """One place where the rule does not hold.

    ``parties`` are the names (of areas, builds, cores, memories, stamps, checksums) that it concerns;
    a waiver names one of them.  ``where`` says for people where it is, ``span`` gives the plain
    addresses if there are any.  ``what`` is a sentence without a full stop.  ``lines`` are further
    lines of evidence for the reader, such as two tables side by side.  ``follows_from`` are
    rules whose finding would be the cause of this one, each with one of that finding's parties, or where it is.
    ``source`` is ``file:line`` of the source code that it is about, where that is known.  ``explains_all`` says that
    it is the cause of all else that is found: bytes are not where they should be at all.
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
    follows_from: tuple[tuple[str, str], ...] = ()
    source: str = ""
    explains_all: bool = False


class NotChecked(Struct):
    """The rule could not be applied at one place; ``reason`` says what it would take, a `Reason` as data too."""

    where: str
    reason: str

    @property
    def needs(self) -> tuple[Need, ...]:
        """What it would take; empty where nothing that could be given would show it."""
        return needs_of(self.reason)

    @property
    def kind(self) -> NeedKind | Literal["unclear"]:
        """What is lacking first of all; ``unclear`` where what is given cannot show it."""
        return self.needs[0].kind if self.needs else "unclear"


class Consequence(NotChecked):
    """A finding at one place that follows from another one, which ``reason`` names."""


class DoesNotApply(Struct):
    """The rule has nothing to look at in one place; ``reason`` says why."""

    where: str
    reason: str


Outcome: TypeAlias = Holds | Finding | NotChecked | DoesNotApply
