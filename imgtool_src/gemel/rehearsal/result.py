"""The result of a rehearsal, as data."""

from __future__ import annotations

from typing import Literal

from gemel.rehearsal.kinds import UNJUDGED
from gemel.rehearsal.limits import NOT_MODELLED
from gemel.spans import format_address
from gemel.structs import Struct, field

RehearsalSeverity = Literal["error", "warning"]
"""error: the image does not pass; warning: someone should decide."""


class Place(Struct):
    """An address of a core's code.  ``function`` holds the offset into it; both may be empty."""

    core: str
    address: int
    function: str = ""
    source: str = ""

    def __str__(self) -> str:
        named = (
            f"{self.function} ({format_address(self.address)})"
            if self.function
            else format_address(self.address)
        )
        return f"{named}, {self.source}" if self.source else named


class Happening(Struct):
    """One line of the timeline.

    ``time`` counts instructions from the primary's reset, for all cores together; ``kind`` is a fixed word
    (see ``kinds``), ``text`` says it for people, ``numbers`` and ``words`` hold the same as values.
    """

    time: int
    core: str
    kind: str
    text: str
    place: Place | None
    numbers: dict[str, int] = field(default_factory=dict)
    words: dict[str, str] = field(default_factory=dict)


class RehearsalFinding(Struct):
    """One thing that went wrong.  ``calls`` are the calls that led there, outermost first."""

    kind: str
    severity: RehearsalSeverity
    core: str
    time: int
    what: str
    found: str
    expected: str
    next_step: str
    place: Place | None
    calls: tuple[Place, ...] = ()
    times: int = 1


class RamUse(Struct):
    """Bytes of a core's area that were written (those that no longer hold the fill)."""

    area: str
    touched: int
    size: int


class StackUse(Struct):
    """A process stack: its highest pointer seen, and bytes used from there down.

    ``room`` is how many bytes there are, down to the start of the variable that holds it or to the next stack; None
    where nothing shows.  ``name`` is that variable, or empty.
    """

    name: str
    top: int
    used: int
    room: int | None


class CoreSummary(Struct):
    """How a core ended and what it used.

    ``stack_used`` and ``stack_room`` are bytes of the main stack; None where nothing shows how far it may reach.
    ``stacks`` are the process stacks, as of tasks, by address.
    ``functions`` are those that executed at least one block, ``function_count`` how many its builds define;
    both empty without ELF files.
    """

    name: str
    role: str
    state: str
    instructions: int
    place: Place | None
    stack_top: int | None
    stack_used: int | None
    stack_room: int | None
    stacks: tuple[StackUse, ...]
    ram: tuple[RamUse, ...]
    functions: tuple[str, ...]
    function_count: int


class GoalResult(Struct):
    """Whether a goal was reached."""

    core: str
    label: str
    reached: bool


class RegisterUse(Struct):
    """How a core used a device register (plain address); ``described`` by the layout or reading zero."""

    core: str
    address: int
    reads: int
    writes: int
    last_value: int
    described: bool
    function: str


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
    def outcome(self) -> str:
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
