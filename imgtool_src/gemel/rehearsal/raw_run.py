"""What the emulation reports: plain data that goes through JSON between two processes."""

from __future__ import annotations

import json
from itertools import starmap
from typing import Literal

from gemel.structs import NamedTuple, Struct, replace
from gemel.text.as_json import data_of, value_of

MAX_EVENTS = 2000
"""Events kept of one run; a device that makes more of them is not distinguished any better."""

MAX_TEXT = 1 << 16
"""Characters kept of each serial register."""


CoreState = Literal["reset", "running", "waiting", "sleeping", "locked up", "stopped"]


class RawEvent(Struct):
    """One thing that happened.

    ``time`` counts instructions from the primary's reset: both cores run in turn over the same count, and it
    goes on while a core sleeps.  ``pc`` is the address of the instruction (None: none was executing).
    ``numbers`` and ``words`` hold what the kind requires; ``calls`` the addresses of the calls that led
    there, outermost first.
    """

    time: int
    core: str
    kind: str
    pc: int | None
    numbers: dict[str, int]
    words: dict[str, str]
    calls: tuple[int, ...] = ()
    handler: int | None = None


class RawAccess(Struct):
    """How one core used one device register (plain address)."""

    core: str
    address: int
    reads: int
    writes: int
    first_pc: int
    last_value: int
    known: bool


class RawThread(Struct):
    """Thread code that runs, or was left at ``time``: where, with the calls that its stack shows, outermost first.

    ``runs``: whether it has run lately; ``stack`` is the highest pointer seen of the process stack on which it was
    left; 0: it runs, or is interrupted.
    """

    place: int
    time: int
    runs: bool
    stack: int
    calls: tuple[int, ...]


class RawCore(Struct):
    """How a core ended: state is reset, running, sleeping, waiting, locked up or stopped.  Times are of the run.

    ``process_stacks`` are of each process stack the highest pointer seen, the lowest address used, the lowest pointer
    seen, when, and the instruction it was seen at; ``could_wake`` are the
    exceptions of its enabled interrupts, ``ticks`` whether its tick timer interrupts, ``handlers`` the exceptions
    whose handlers run, when each was entered, its vector and how many are the same, outermost first, ``fault`` the
    fault from which it has not recovered (0: none), ``slept_at`` when it began to sleep last, ``interrupted_at``
    when it last took an interrupt or a tick, ``held_off`` what is pending and masked (0: none); ``pending`` and
    ``enabled`` are exceptions, ``taken`` those that were, ``priorities`` the group priority of each that is
    pending, ``masks`` PRIMASK, BASEPRI (its group priority) and FAULTMASK, ``runs_at`` the priority of the handler
    that runs, ``tick`` the tick timer's control and reload registers, and whether it is read; ``released`` whether
    it is released from the loop in which it waits, without an interrupt, again and again; ``left`` from where to where
    it left the handler that runs by a branch that is no return from the exception (zeros: not seen), and whether that
    popped its frame; ``threads`` are what runs or is interrupted, and what was left on process stacks.
    """

    name: str
    state: CoreState
    instructions: int
    pc: int
    blocks: tuple[int, ...]
    stack_top: int | None
    stack_lowest: int | None
    ram_touched: dict[str, int]
    process_stacks: tuple[tuple[int, int, int, int, int], ...] = ()
    could_wake: tuple[int, ...] = ()
    ticks: bool = False
    handlers: tuple[tuple[int, int, int, int], ...] = ()
    fault: int = 0
    slept_at: int = 0
    interrupted_at: int | None = None
    held_off: int = 0
    pending: tuple[int, ...] = ()
    enabled: tuple[int, ...] = ()
    taken: tuple[int, ...] = ()
    priorities: tuple[tuple[int, int], ...] = ()
    masks: tuple[int, ...] = (0, 0, 0)
    runs_at: int = 256
    tick: tuple[int, ...] = (0, 0, 0)
    released: bool = False
    left: tuple[int, ...] = ()
    threads: tuple[RawThread, ...] = ()


class TraceEntry(NamedTuple):
    """An access of a core to a shared area, or an event by which one core hands over to another.

    ``kind`` is r or w (R and W: exclusive, acquire or release), with the offset into ``area``, bytes and value;
    else the event's kind, with the other core in ``area`` or a lock's register in ``offset``.
    """

    core: str
    kind: str
    pc: int
    area: str
    offset: int
    size: int
    value: int


class RawTrace(Struct):
    """What the cores did to shared areas, in order, what they repeat at once being there twice.

    ``loops`` are the places (core, address) that read and whose code is a short loop; ``cut`` says that there was more
    than is kept.
    """

    entries: tuple[TraceEntry, ...]
    loops: tuple[tuple[str, int], ...]
    cut: bool = False


class GivenUp(Struct):
    """A wait of a core for a register, read so often, that it gave up; ``lines`` of the layout that end it."""

    core: str
    register: int
    reads: int
    lines: str


class RawRun(Struct):
    """A whole run.  ``ended`` is why: goals, asleep, same state, budget or finding.

    ``shared`` are the contents of the shared areas at the end, as hexadecimal digits; ``trace`` is there where
    races are looked for; ``writes`` are the first ones of each device register: core, plain address, value; ``held``
    what the word of each goal holds at the end, 0 for other goals; ``offers`` cores with lines that release
    them, ``given_up`` waits that ended by that.
    """

    events: tuple[RawEvent, ...]
    cores: tuple[RawCore, ...]
    accesses: tuple[RawAccess, ...]
    texts: dict[str, str]
    goals: tuple[bool, ...]
    ended: str
    time: int
    executed: int
    notes: tuple[str, ...]
    shared: dict[str, str]
    trace: RawTrace | None = None
    writes: tuple[tuple[str, int, int], ...] = ()
    held: tuple[int, ...] = ()
    offers: tuple[tuple[str, str], ...] = ()
    given_up: tuple[GivenUp, ...] = ()


_COLUMNS = (str, str, int, str, int, int, int)
"""The types in a `TraceEntry`."""


def to_json(run: RawRun) -> str:
    """The run as one line of JSON, and after it the entries of its trace, which can be many: lists without names."""
    trace, entries = (run.trace and replace(run.trace, entries=())), (run.trace.entries if run.trace else ())
    data = data_of(replace(run, trace=trace)), entries
    return json.dumps(data, ensure_ascii=True, separators=(",", ":"))


def from_json(text: str) -> RawRun:
    """The run that ``to_json`` wrote; raises ValueError for anything else."""
    match json.loads(text):
        case [data, [*rows]] if all(type(row) is list and tuple(map(type, row)) == _COLUMNS for row in rows):
            run: RawRun = value_of(RawRun, data)
            entries = tuple(starmap(TraceEntry, rows))
            return replace(run, trace=replace(run.trace, entries=entries)) if run.trace else run
    raise ValueError("a run is two lists, one of them with the entries of a trace")
