"""Findings about an event, and about how a core ended."""

from __future__ import annotations

from gemel.rehearsal.raw_run import RawCore, RawEvent, RawRun
from gemel.rehearsal.result import RehearsalFinding, RehearsalSeverity
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.words import Words


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
