"""Rule ``file-entry-is-reset-handler``: the image's file names no other start address than the reset handler."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.placement.places import is_same_code, reset_handler, starting_plan
from gemel.spans import format_address


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome, if the file names a start address."""
    entry = inspection.entry
    if entry is None:
        return
    layout = inspection.layout
    handler, plan = reset_handler(layout, inspection.image), starting_plan(layout)
    if handler is None or plan is None:
        yield NotChecked("the file's start address", "the primary's vector table was not found in the image")
    elif is_same_code(layout, entry, handler):
        yield Holds(f"start address {format_address(entry)}")
    else:
        core = layout.primary().name
        yield Finding(
            "the image's file starts at another place than the primary's reset handler",
            (core, plan.name),
            where="the file's start address (Intel HEX 03 or 05, S-record S7, S8 or S9)",
            found=format_address(entry),
            expected=f"{format_address(handler)}, the reset handler of build {plan.name}, or none",
        )


RULE = Rule(
    name="file-entry-is-reset-handler",
    severity="error",
    guards="image",
    checks="The start address that the image's file names, if any, is the reset handler in the primary's vector "
    "table.",
    why="The start address is in the file and not in the flash, so no digest and no seal covers it, and a "
    "debugger or a boot loader that runs from there starts code at a place that somebody else chose.",
    remedy="Join the image again, or write it again with gemel sign, which name the reset handler or nothing.",
    source="Intel Hexadecimal Object File Format Specification, records 03 and 05, from memory; common practice",
    absent="the image's file names no start address",
    check=check,
)
