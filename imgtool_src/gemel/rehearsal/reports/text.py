"""A rehearsal as text: what was rehearsed, timeline, findings, cores, goals, limits in a line, the verdict last."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.identity import Identity
from gemel.checking.identity_forms import identity_lines
from gemel.checking.reports.as_text import SIGNS, finding_lines
from gemel.checking.rules.rehearsal_passes import RULE, finding_of
from gemel.checking.runner import Judged
from gemel.rehearsal.limits import CAUTION
from gemel.rehearsal.result import CoreSummary, Happening, Rehearsal, RehearsalFinding
from gemel.spans import format_address
from gemel.text.escaping import on_one_line
from gemel.text.numbers import counted
from gemel.text.wrapping import first_of, wrapped

MAX_FUNCTIONS = 24


def report_of(
    rehearsal: Rehearsal,
    identity: Identity | None = None,
    *,
    width: int = 80,
    everything: bool = False,
    unverified: bool = False,
) -> list[str]:
    """The lines of the report, ``width`` columns wide; ``everything`` lists what is not modelled.

    What names from files hold besides text shows as escapes.

    ``identity`` is what was rehearsed (None: said elsewhere); ``unverified`` that no signature of its seal counts.
    """
    return [on_one_line(line) for line in _Text(width, unverified).lines(rehearsal, identity, everything)]


def verdict(rehearsal: Rehearsal, unverified: bool = False) -> str:
    """What came of it, in a line, and that a seal was not verified."""
    errors = sum(finding.severity == "error" for finding in rehearsal.findings)
    warnings = len(rehearsal.findings) - errors
    counts = [_count(errors, "finding")] if errors or not warnings else []
    counts += [_count(warnings, "warning")] if warnings else []
    head = {"passes": "PASS", "fails": "FAIL"}.get(rehearsal.outcome, rehearsal.outcome.upper())
    ended = f"{rehearsal.ended} (at {rehearsal.time:,} instructions)"
    seal = "; NOT VERIFIED" if unverified and rehearsal.passes else ""
    return f"{head}: the rehearsal has {' and '.join(counts)}; {ended}{seal}."


def _count(number: int, noun: str) -> str:
    return f"{number or 'no'} {noun}{'' if number == 1 else 's'}"


def _said(event: Happening) -> str:
    """The event, and the function it happened in where that is not plain."""
    if event.kind in ("text", "start") or event.place is None or not event.place.function:
        return event.text
    return f"{event.text} [{event.place.function.partition(' + ')[0]}]"


class _Text:
    """The parts of one report, in lines of one width."""

    def __init__(self, width: int, unverified: bool) -> None:
        self.width, self.unverified = width, unverified

    def lines(self, rehearsal: Rehearsal, identity: Identity | None, everything: bool) -> Iterator[str]:
        """All of them, the verdict last."""
        if identity:
            yield from identity_lines(identity, self.width)
            yield ""
        yield from self._timeline(rehearsal)
        yield ""
        for finding in rehearsal.findings:
            yield from self._finding(finding)
            yield ""
        for core in rehearsal.cores:
            yield from self._core(core)
        yield from self._goals(rehearsal)
        yield ""
        yield from self._limits(rehearsal, everything)
        yield from self._wrapped(verdict(rehearsal, self.unverified))

    def _timeline(self, rehearsal: Rehearsal) -> Iterator[str]:
        core_width = max([4, *(len(core.name) for core in rehearsal.cores)])
        count_width = max([12, *(len(f"{event.time:,}") for event in rehearsal.events)])
        yield f"{'instruction':>{count_width}}  {'core':<{core_width}}  event"
        indent = count_width + core_width + 6
        for event in rehearsal.events:
            first = f"{event.time:>{count_width},}  {event.core:<{core_width}}  "
            yield from wrapped(first + _said(event), self.width, indent=indent)

    def _finding(self, finding: RehearsalFinding) -> Iterator[str]:
        yield f"{SIGNS[finding.severity]} {finding.kind}"
        yield from finding_lines(RULE, Judged(finding_of(finding)), self.width)

    def _core(self, core: CoreSummary) -> Iterator[str]:
        place = f" at {core.place}" if core.place else ""
        yield from self._wrapped(
            f"{core.name}: {core.state}{place}; {counted(core.instructions, 'instruction')}"
        )
        if core.stack_used is not None and core.stack_room is not None:
            top = format_address(core.stack_top) if core.stack_top is not None else "?"
            yield f"  stack      {core.stack_used:,} of {core.stack_room:,} bytes from {top} down"
        for stack in core.stacks:
            room = f"of {stack.room:,} bytes" if stack.room is not None else "bytes"
            held = f", in {stack.name}" if stack.name else ""
            top = format_address(stack.top)
            yield from self._wrapped(f"  task stack {stack.used:,} {room} from {top} down{held}")
        for use in core.ram:
            yield f"  {use.area:<{max(10, len(use.area))}} {use.touched:,} of {use.size:,} bytes changed"
        if core.function_count:
            named = first_of(core.functions, MAX_FUNCTIONS)
            if len(core.functions) > MAX_FUNCTIONS:
                named += " (all in --format json)"
            text = (
                f"  functions  {len(core.functions)} of {core.function_count}{': ' if named else ''}{named}"
            )
            yield from wrapped(text, self.width, indent=13)

    def _goals(self, rehearsal: Rehearsal) -> Iterator[str]:
        for goal in rehearsal.goals:
            yield from self._wrapped(f"goal {'reached' if goal.reached else 'NOT REACHED'}: {goal.label}")

    def _limits(self, rehearsal: Rehearsal, everything: bool) -> Iterator[str]:
        for note in rehearsal.notes:
            yield from self._wrapped(f"note: {note}")
        if everything:
            yield "not modelled:"
            for text in rehearsal.not_modelled:
                yield from wrapped(text, self.width - 2, "  - ")
            yield from self._wrapped(CAUTION)
        else:
            count = len(rehearsal.not_modelled)
            yield from self._wrapped(
                f"limits: the emulated device leaves out {count} things of a real one, interrupts of devices, real time"
                " and DMA among them (gemel explain rehearsal); passing is evidence, not proof"
            )

    def _wrapped(self, text: str) -> list[str]:
        return wrapped(text, self.width, indent=2)
