"""What the rule on rehearsals reads of one: the room that rehearses comes after this one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol


class RehearsedFinding(Protocol):
    """One thing that went wrong in a rehearsal; see ``RehearsalFinding``."""

    @property
    def kind(self) -> str: ...
    @property
    def severity(self) -> str: ...
    @property
    def core(self) -> str: ...
    @property
    def time(self) -> int: ...
    @property
    def what(self) -> str: ...
    @property
    def found(self) -> str: ...
    @property
    def expected(self) -> str: ...
    @property
    def next_step(self) -> str: ...
    @property
    def place(self) -> object | None: ...
    @property
    def calls(self) -> Sequence[object]: ...


class Rehearsed(Protocol):
    """What happened when both cores started from the image's own bytes; see ``Rehearsal``."""

    @property
    def ended(self) -> str: ...
    @property
    def findings(self) -> Sequence[RehearsedFinding]: ...
