"""Rule ``reset-handler-in-code``: each core starts in its own code."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.check.rule import Finding, Holds, NotChecked, Outcome, Rule
from gemel.check.subject import Subject
from gemel.spans import Span, format_address


def check(subject: Subject) -> Iterator[Outcome]:
    """One outcome for each build: its vector table's second word."""
    for name in subject.layout.builds:
        table = subject.vector_table(name)
        if table is None or len(table.words) < 2:
            yield NotChecked(f"build {name}", "nothing of the build was found in the image")
            continue
        reset = table.words[1]
        run = Span(table.placed.run_start, table.placed.stored.size)
        where = f"build {name}, word 1 of the vector table at {format_address(table.span.start)}"
        place = Span(table.span.start + 4, 4)
        parties = (name, table.core.name, table.plan.stored_in)
        if not run.holds(reset & ~1):
            what = f"core {table.core.name} would start outside the code of build {name}"
            expected = f"inside {run}"
            yield Finding(what, parties, where, format_address(reset), expected, place)
        elif not reset & 1:
            what = f"the reset handler of build {name} lacks the Thumb bit"
            yield Finding(
                what, parties, where, format_address(reset), format_address(reset | 1) + " (bit 0 set)", place
            )
        else:
            yield Holds(f"build {name}")


RULE = Rule(
    name="reset-handler-in-code",
    severity="error",
    checks="The reset handler of each build, word 1 of its vector table, is an address inside the bytes that "
    "the build runs from, with bit 0 set.",
    why="At reset the core takes this word as its first address. Outside its code it runs whatever lies there; "
    "with bit 0 clear it leaves Thumb state, which M-profile cores do not have, and the first instruction faults.",
    remedy="Link the build for the place the layout gives it, with the vector table first; mark an assembler "
    "handler as a Thumb function (.thumb_func).",
    source="Armv7-M Architecture Reference Manual, section B1.5.5, reset behaviour (second-hand); Armv6-M likewise",
    absent="the layout has no build",
    check=check,
)
