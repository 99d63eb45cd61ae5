"""The result of a rehearsal, as data."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from gemel.rehearsal.kinds import UNJUDGED
from gemel.rehearsal.limits import NOT_MODELLED
from gemel.rehearsal.raw_run import CoreState
from gemel.spans import Signed
from gemel.structs import Struct, field

RehearsalSeverity = Literal["error", "warning"]
"""error: the image does not pass; warning: someone should decide."""

Role = Literal["primary", "secondary"]
RehearsalOutcome = Literal["passes", "started", "no verdict", "fails"]


class Place(Struct):
    """An address of a core's code."""

    address: Annotated[int, "the address"]
    text: Annotated[str, "the address as text"]
    function: Annotated[str, "function and offset into it; empty: not known"] = ""
    source: Annotated[str, "source line; empty: not known"] = ""

    def __str__(self) -> str:
        named = f"{self.function} ({self.text})" if self.function else self.text
        return f"{named}, {self.source}" if self.source else named


class Happening(Struct):
    """One line of the timeline; the numbers and words are what its text holds, as values."""

    time: Annotated[int, "instructions from the primary's reset, of all cores together"]
    core: Annotated[str, "the core that it happens on"]
    kind: Annotated[str, "what happens, a fixed word"]
    text: Annotated[str, "what happens, for people"]
    place: Annotated[Place | None, "where; null: nowhere in code"]
    numbers: Annotated[dict[str, Signed], "numbers by what they are"] = field(default_factory=dict)
    words: Annotated[dict[str, str], "words by what they are"] = field(default_factory=dict)


class RehearsalFinding(Struct):
    """One thing that went wrong."""

    JSON_NAMES: ClassVar = {"next_step": "next"}

    kind: Annotated[str, "what kind, a fixed word"]
    severity: Annotated[RehearsalSeverity, "error: the image does not pass"]
    core: Annotated[str, "the core; empty: none of them"]
    time: Annotated[int, "when, as in the timeline"]
    times: Annotated[int, "how often"]
    what: Annotated[str, "what is wrong, in one sentence"]
    found: Annotated[str, "what was there"]
    expected: Annotated[str, "what should have been"]
    next_step: Annotated[str, "what to do"]
    place: Annotated[Place | None, "where; null: nowhere in code"]
    calls: Annotated[tuple[Place, ...], "the calls that led there, outermost first"] = ()


class RamUse(Struct):
    """Bytes of a core's area that no longer hold the fill."""

    area: Annotated[str, "the area"]
    touched: Annotated[int, "bytes that were written"]
    size: Annotated[int, "bytes of the area"]


class StackUse(Struct):
    """A process stack."""

    name: Annotated[str, "the variable that holds it; empty: none is known"]
    top: Annotated[int, "highest pointer seen"]
    text: Annotated[str, "the same as text"]
    used: Annotated[int, "bytes used from there down"]
    room: Annotated[
        int | None, "bytes down to the variable's start or the next stack; null: nothing shows it"
    ]


class CoreSummary(Struct):
    """How a core ended and what it used."""

    name: Annotated[str, "the core"]
    role: Annotated[Role, "primary: it starts at reset"]
    state: Annotated[CoreState, "what it does at the end"]
    instructions: Annotated[int, "instructions that it executed"]
    place: Annotated[Place | None, "where it is at the end; null: in reset"]
    stack_top: Annotated[int | None, "where its main stack begins; null: not known"]
    stack_used: Annotated[int | None, "bytes of it that were used; null: nothing shows where it ends"]
    stack_room: Annotated[int | None, "bytes that it has; null: nothing shows where it ends"]
    stacks: Annotated[tuple[StackUse, ...], "process stacks, as of tasks, by address"]
    ram: Annotated[tuple[RamUse, ...], "its areas of RAM"]
    functions: Annotated[
        tuple[str, ...], "functions that executed at least one block; empty without ELF files"
    ]
    function_count: Annotated[int, "how many functions its builds define"]


class GoalResult(Struct):
    """A goal, and whether it was reached."""

    JSON_NAMES: ClassVar = {"label": "goal"}

    core: Annotated[str, "the core that is to reach it"]
    label: Annotated[str, "the goal in words"]
    reached: Annotated[bool, "whether it was reached"]


class RegisterUse(Struct):
    """How a core used a device register."""

    core: Annotated[str, "the core"]
    address: Annotated[int, "plain address of the register"]
    text: Annotated[str, "the same as text"]
    reads: Annotated[int, "how often it was read"]
    writes: Annotated[int, "how often it was written"]
    last_value: Annotated[int, "what was read or written last"]
    described: Annotated[bool, "whether the layout describes it; if not it read as zero"]
    first_used_by: Annotated[str, "the function; empty: not known"]


class Rehearsal(Struct):
    """What happened when both cores started from the image's own bytes.

    ``ended`` says in words why it ended; ``time`` is the count reached, ``executed`` the instructions of all
    cores that were counted.  ``shared_memory`` holds the contents of the shared areas at the end (of each the
    first 64 KiB).  ``not_modelled`` belongs to every result: passing is evidence, not proof.
    """

    product: str
    budget: int
    ended: str
    time: int
    executed: int
    findings: tuple[RehearsalFinding, ...]
    events: tuple[Happening, ...]
    cores: tuple[CoreSummary, ...]
    texts: dict[str, str]
    goals: tuple[GoalResult, ...]
    registers: tuple[RegisterUse, ...]
    notes: tuple[str, ...]
    shared_memory: dict[str, bytes]
    not_modelled: tuple[str, ...] = NOT_MODELLED

    @property
    def outcome(self) -> RehearsalOutcome:
        """``passes``, ``fails``, ``no verdict``, or without goals ``started``.

        ``no verdict``: the rehearsal could not follow a core to its end.  ``started``: both cores came to where
        they can be woken.
        """
        errors = {finding.kind for finding in self.findings if finding.severity == "error"}
        if errors:
            return "no verdict" if errors <= UNJUDGED else "fails"
        return "passes" if self.goals else "started"

    @property
    def passes(self) -> bool:
        """No finding of severity error."""
        return not any(finding.severity == "error" for finding in self.findings)

    def finding(self, kind: str) -> RehearsalFinding | None:
        """The first finding of that kind."""
        return next((finding for finding in self.findings if finding.kind == kind), None)

    def event(self, kind: str, core: str | None = None) -> Happening | None:
        """The first event of that kind (of that core)."""
        return next((e for e in self.events if e.kind == kind and core in (None, e.core)), None)
