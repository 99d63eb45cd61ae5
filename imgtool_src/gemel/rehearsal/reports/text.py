"""A rehearsal as text for a terminal of 80 columns: verdict, findings, timeline, cores, limits."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from gemel.rehearsal.limits import CAUTION
from gemel.rehearsal.result import CoreSummary, Happening, Rehearsal, RehearsalFinding
from gemel.spans import format_address
from gemel.text.escaping import on_one_line

WIDTH = 80
MAX_CALLS = 8
LABEL = 11


def report_of(rehearsal: Rehearsal) -> list[str]:
    """The lines of the report; what names from files hold besides text shows as escapes."""
    lines = [*_timeline(rehearsal), ""]
    for finding in rehearsal.findings:
        lines += [*_finding(finding), ""]
    for core in rehearsal.cores:
        lines += _core(core)
    lines += [*_goals(rehearsal), "", *_limits(rehearsal), "", *verdict(rehearsal)]
    return [on_one_line(line) for line in lines]


def verdict(rehearsal: Rehearsal) -> list[str]:
    """What came of it, in one or two lines."""
    errors = sum(finding.severity == "error" for finding in rehearsal.findings)
    warnings = len(rehearsal.findings) - errors
    counts = [_count(errors, "finding")] if errors or not warnings else []
    counts += [_count(warnings, "warning")] if warnings else []
    word = rehearsal.outcome.upper()
    text = f"rehearsal {word}: {', '.join(counts)}; {rehearsal.ended} (at {rehearsal.time:,} instructions)"
    return textwrap.wrap(text, WIDTH, subsequent_indent="  ")


def _count(number: int, noun: str) -> str:
    return f"{number or 'no'} {noun}{'' if number == 1 else 's'}"


def _timeline(rehearsal: Rehearsal) -> Iterator[str]:
    core_width = max([4, *(len(core.name) for core in rehearsal.cores)])
    count_width = max([12, *(len(f"{event.time:,}") for event in rehearsal.events)])
    yield f"{'instruction':>{count_width}}  {'core':<{core_width}}  event"
    indent = " " * (count_width + core_width + 4)
    for event in rehearsal.events:
        first = f"{event.time:>{count_width},}  {event.core:<{core_width}}  "
        yield from textwrap.wrap(
            first + _said(event),
            WIDTH,
            subsequent_indent=indent + "  ",
            drop_whitespace=True,
            break_on_hyphens=False,
        )


def _said(event: Happening) -> str:
    """The event, and the function it happened in where that is not plain."""
    if event.kind in ("text", "start") or event.place is None or not event.place.function:
        return event.text
    return f"{event.text} [{event.place.function.partition(' + ')[0]}]"


def _finding(finding: RehearsalFinding) -> Iterator[str]:
    yield from textwrap.wrap(
        f"{finding.severity} {finding.kind}: {finding.what}", WIDTH, subsequent_indent="  "
    )
    where = str(finding.place) if finding.place else "before the first instruction"
    times = f", {finding.times:,} times from there" if finding.times > 1 else ""
    count = f"instruction {finding.time:,} of core {finding.core}{times}" if finding.core else ""
    for label, text in (
        ("where", where),
        ("when", count),
        ("found", finding.found),
        ("expected", finding.expected),
        ("next", finding.next_step),
    ):
        if text:
            yield from _labelled(label, text)
    shown = finding.calls[-MAX_CALLS:]
    if len(shown) < len(finding.calls):
        yield from _labelled("calls", f"... {len(finding.calls) - len(shown)} outer ones")
    for call in reversed(shown):
        yield from _labelled("from" if call is not shown[-1] else "called from", str(call))


def _labelled(label: str, text: str) -> list[str]:
    return textwrap.wrap(
        f"  {label:<{LABEL}} {text}",
        WIDTH,
        subsequent_indent=" " * (LABEL + 3),
        break_on_hyphens=False,
        break_long_words=False,
    )


def _core(core: CoreSummary) -> Iterator[str]:
    place = f" at {core.place}" if core.place else ""
    yield from _wrapped(f"{core.name}: {core.state}{place}; {core.instructions:,} instructions")
    if core.stack_used is not None and core.stack_room is not None:
        top = _address(core.stack_top)
        yield f"  stack      {core.stack_used:,} of {core.stack_room:,} bytes from {top} down"
    for use in core.ram:
        yield f"  {use.area:<{max(10, len(use.area))}} {use.touched:,} of {use.size:,} bytes written"
    if core.function_count:
        named = ", ".join(core.functions)
        text = f"  functions  {len(core.functions)} of {core.function_count}: {named}"
        yield from textwrap.wrap(text, WIDTH, subsequent_indent=" " * 13, break_on_hyphens=False)


def _address(address: int | None) -> str:
    return format_address(address) if address is not None else "?"


def _goals(rehearsal: Rehearsal) -> Iterator[str]:
    for goal in rehearsal.goals:
        yield from _wrapped(f"goal {'reached' if goal.reached else 'NOT REACHED'}: {goal.label}")


def _limits(rehearsal: Rehearsal) -> Iterator[str]:
    for note in rehearsal.notes:
        yield from _wrapped(f"note: {note}")
    yield "not modelled:"
    for text in rehearsal.not_modelled:
        yield from textwrap.wrap(text, WIDTH - 2, initial_indent="  - ", subsequent_indent="    ")
    yield from textwrap.wrap(CAUTION, WIDTH)


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent="  ", break_on_hyphens=False)
