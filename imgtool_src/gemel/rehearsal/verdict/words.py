"""Words for findings of a rehearsal, and findings about an event or about how a core ended."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from gemel.m_profile.vector_tables import word_name
from gemel.rehearsal.raw_run import RawCore, RawEvent, RawRun
from gemel.rehearsal.result import RehearsalFinding, RehearsalSeverity
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.spans import format_address
from gemel.structs import NamedTuple

ERASED = 0xFFFF_FFFF


class Words(NamedTuple):
    """A finding's sentence and its parts."""

    what: str
    found: str = ""
    expected: str = ""
    next_step: str = ""


Wording = Callable[[RawEvent, CodeNames], Words]
"""From an event and names to words."""


def at_address(event: RawEvent, names: CodeNames) -> str:
    """The address that an event is about, with what is there."""
    address = event.numbers["address"]
    named = names.variable(event.core, address)
    where = names.what_is_at(event.core, address)
    return f"{format_address(address)} ({named + ', ' if named else ''}{where})"


ALIGN_TABLE = "align the vector table to its size, rounded up to a power of two"


def table_misplaced(kept: int, written: int) -> str:
    """That a core's vectors are read from elsewhere than code wrote to VTOR."""
    return (
        f"its vector table is at {format_address(kept)}, not at {format_address(written)}, as VTOR keeps the upper "
        "bits alone"
    )


SOON = "about to be taken"
"""What an exception is that nothing keeps from being taken."""


def held_back(priority: int, masks: Sequence[int], runs: int, runs_at: int) -> str:
    """What keeps an exception from being taken: a mask, or the handler of ``runs`` (0: none) and its priority.

    ``masks`` are PRIMASK, BASEPRI (its group priority) and FAULTMASK.
    """
    primask, basepri, faultmask = masks
    if faultmask:
        return "masked by FAULTMASK (CPSIE f lets it be taken)"
    if primask:
        return "masked by PRIMASK (CPSIE i lets it be taken)"
    if basepri and priority >= basepri:
        return f"masked by BASEPRI 0x{basepri:X}, as its priority is 0x{priority:X}"
    if runs and priority >= runs_at:
        of_handler = f"priority 0x{runs_at:X}" if runs_at >= 0 else "a fixed priority"
        return (
            f"held off by the handler of {word_name(runs)}, which has {of_handler}; its own is 0x{priority:X}"
        )
    return SOON


def left_by_branch(core: str, number: int, vector: int, left: Sequence[int], names: CodeNames) -> str:
    """That a handler was left by a branch that is no return; empty where that is not sure.

    ``left`` is from where to where, zeros where that was not seen, and whether the frame was popped.
    """
    function, (begin, to, popped) = names.handler_name(core, vector & ~1, number), left
    handler = function or f"the handler of {word_name(number)}"
    if begin and function:
        seen = names.handler_name(core, begin, number) == function != names.function_name(core, to)
    else:
        seen = bool(begin)
    if not seen:
        pops = f"{handler} took its exception frame off the stack, and was left by a branch that is no EXC_RETURN"
        return pops if popped else ""
    place = f"{format_address(begin)}{f' ({at})' if (at := names.function(core, begin)) else ''}"
    where = f"{format_address(to)}{f' ({at})' if (at := names.function(core, to)) else ''}"
    return f"{handler} was left by the branch at {place} to {where}, which is no EXC_RETURN value"


class _Number(int):
    """A number of an event; ``address`` formats it as one."""

    def __format__(self, how: str) -> str:
        return format_address(self) if how == "address" else super().__format__(how)


class Parts:
    """What a text can name of an event: core, words, numbers, what is ``at`` its address, ``again`` and again."""

    def __init__(self, event: RawEvent, names: CodeNames) -> None:
        self._event, self._names = event, names

    def __getitem__(self, name: str) -> str | int:
        event = self._event
        if name == "core":
            return event.core
        if name == "at":
            return at_address(event, self._names)
        if name == "register":
            return self._names.register(event.numbers[name])
        if name == "again":
            times = event.numbers.get("times", 1)
            return f", {times:,} times" if times > 1 else ""
        return event.words[name] if name in event.words else _Number(event.numbers[name])


def plain(what: str, expected: str = "", next_step: str = "", found: str = "") -> Wording:
    """Words with parts of the event (``Parts``) in braces; ``found`` is its address, if it has one."""

    def words(event: RawEvent, names: CodeNames) -> Words:
        parts = Parts(event, names)
        shown = found or ("{at}" if "address" in event.numbers else "")
        return Words(*(text.format_map(parts) for text in (what, shown, expected, next_step)))

    return words


def finding_of(
    event: RawEvent, words: Words, names: CodeNames, kind: str, severity: RehearsalSeverity
) -> RehearsalFinding:
    """A finding about an event."""
    place = names.place(event.core, event.pc, source=True) if event.pc is not None else None
    calls = tuple(names.place(event.core, call, source=True) for call in event.calls)
    times = event.numbers.get("times", 1)
    return RehearsalFinding(kind, severity, event.core, event.time, times, *words, place, calls)


def error_about(event: RawEvent, words: Words, names: CodeNames, kind: str) -> RehearsalFinding:
    """An error about an event."""
    return finding_of(event, words, names, kind, "error")


def at_end(core: RawCore, run: RawRun, words: Words, names: CodeNames, kind: str) -> RehearsalFinding:
    """An error about where a core is at the end; a core in reset is nowhere."""
    place = names.place(core.name, core.pc, source=True) if core.state != "reset" else None
    return RehearsalFinding(kind, "error", core.name, run.time, 1, *words, place)
