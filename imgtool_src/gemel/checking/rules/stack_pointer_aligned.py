"""Rule ``stack-pointer-aligned``: each core's initial stack starts at a multiple of eight."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.build_evidence import of_each_table
from gemel.checking.rule import Rule
from gemel.inspection.cores.vector_tables import place_of, word_span
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.outcomes import Finding, Holds, Outcome
from gemel.spans import format_address


@of_each_table
def check(inspection: Inspection, table: VectorTable) -> Iterator[Outcome]:
    """One outcome for each build: its vector table's first word."""
    pointer = table.words[0]
    if pointer % 8 == 0:
        yield Holds(f"build {table.plan.name}")
        return
    found = format_address(pointer)
    if pointer % 4:
        found += f"; the hardware clears the two lowest bits and starts with {format_address(pointer & ~3)}"
    yield Finding(
        f"the initial stack pointer of build {table.plan.name} is not aligned",
        (table.plan.name, table.core.name),
        where=place_of(table, 0),
        found=found,
        expected=f"a multiple of 8, such as {format_address(pointer & ~7)}",
        span=word_span(table, 0),
        follows_from=(("stack-pointer-in-own-ram", place_of(table, 0)),),
    )


RULE = Rule(
    name="stack-pointer-aligned",
    severity="error",
    guards="device",
    checks="The initial stack pointer of each build, word 0 of its vector table, is a multiple of 8.",
    why="Compiled code counts on a stack pointer that is a multiple of 8 wherever one function calls "
    "another: otherwise doubles and 64-bit numbers that it passes on the stack or prints are read from the "
    "wrong place. The core itself drops the two lowest bits, so that the stack starts lower than the linker "
    "script says.",
    remedy="Round the end of the stack in the build's linker script down to a multiple of 8.",
    source="AAPCS32, section 'Stack constraints at a public interface' (SP mod 8 = 0); Armv7-M Architecture "
    "Reference Manual, section B1.5.5, reset behaviour (second-hand: bits 1:0 are dropped)",
    absent="the layout has no build in an area of purpose code",
    check=check,
)
