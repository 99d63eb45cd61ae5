"""What the rule on rehearsals reads of one: the room that rehearses comes after this one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, Protocol


class RehearsedPlace(Protocol):
    """Where in a core's code; as text for people."""

    @property
    def source(self) -> str:
        """``file:line``; empty where that is not known."""


class RehearsedFinding(Protocol):
    """One thing that went wrong in a rehearsal; see ``RehearsalFinding``."""

    @property
    def kind(self) -> str:
        """Its kind, such as ``released-at-wrong-address``."""

    @property
    def severity(self) -> Literal["error", "warning"]:
        """How much it counts for."""

    @property
    def core(self) -> str:
        """The core it happened to."""

    @property
    def time(self) -> int:
        """Instructions counted when it happened."""

    @property
    def what(self) -> str:
        """The sentence that says what went wrong."""

    @property
    def found(self) -> str:
        """What was found."""

    @property
    def expected(self) -> str:
        """What was expected."""

    @property
    def next_step(self) -> str:
        """What to do."""

    @property
    def place(self) -> RehearsedPlace | None:
        """Where in the core's code, as text; None if not known."""

    @property
    def times(self) -> int:
        """How often it happened there."""

    @property
    def calls(self) -> Sequence[object]:
        """The calls that led there, outermost first."""


class Rehearsed(Protocol):
    """What happened when both cores started from the image's own bytes; see ``Rehearsal``."""

    @property
    def outcome(self) -> str:
        """``passes``, ``fails``, ``no verdict``, or without goals ``started``."""

    @property
    def ended(self) -> str:
        """Why the rehearsal ended, in words."""

    @property
    def not_modelled(self) -> Sequence[str]:
        """What the emulated device leaves out."""

    @property
    def findings(self) -> Sequence[RehearsedFinding]:
        """Everything that went wrong."""
