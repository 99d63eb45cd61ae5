"""Rule ``reserved-vectors-zero``: words that the architecture keeps for itself are zero."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.build_evidence import of_each_table
from gemel.checking.rule import Rule
from gemel.inspection.cores.vector_tables import (
    moved_handlers,
    named_words,
    place_of,
    stored_parts,
    unexplained,
    word_span,
    words_span,
)
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.m_profile.vector_tables import RESERVED, SECURE_FAULT, reserved_words, word_name
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import format_address, without


@of_each_table
def check(inspection: Inspection, table: VectorTable) -> Iterator[Outcome]:
    """One outcome for each build; words that a stamp or checksum of the layout fills are left out.

    So are those of which the build stores nothing, which are erased.
    """
    stored = stored_parts(inspection, table)
    filled = [
        index
        for index in _reserved(table)
        if index < len(table.words) and table.words[index] and not without([word_span(table, index)], stored)
    ]
    used, reason = unexplained(inspection, table, filled)
    if reason:
        yield NotChecked(f"build {table.plan.name}, {named_words(used)}", reason)
    elif used:
        yield _finding(inspection, table, used)
    else:
        yield Holds(f"build {table.plan.name}")


def _reserved(table: VectorTable) -> list[int]:
    architecture = table.core.architecture
    own_rule = SECURE_FAULT if architecture == "armv8-m.base" else None  # secure-fault-vector-unused
    return [index for index in reserved_words(architecture) if index != own_rule]


def _finding(inspection: Inspection, table: VectorTable, used: list[int]) -> Finding:
    values = [f"{format_address(table.words[index])} in {_word(index)}" for index in used]
    return Finding(
        f"build {table.plan.name} fills words that {table.core.architecture} reserves",
        (table.plan.name, table.core.name),
        where=place_of(table, *used),
        found=values[0] if len(used) == 1 else f"{len(used)} words that are not zero",
        expected="0x0000_0000, or a stamp or checksum of the layout at this place",
        span=words_span(table, used),
        lines=tuple(values) if len(used) > 1 else (),
        follows_from=(
            ("build-architecture-fits-core", table.plan.name),
            ("vector-table-complete", table.plan.name),
            ("reset-handler-in-code", table.plan.name),
            ("handlers-at-function-starts", table.plan.name),
            *((("required-handlers-present", table.plan.name),) if moved_handlers(inspection, table) else ()),
        ),
    )


def _word(index: int) -> str:
    """``word 8``, ``word 7 (SecureFault on other architectures)``: what other architectures use it for."""
    name = word_name(index)
    return f"word {index}" if name == RESERVED else f"word {index} ({name} on other architectures)"


RULE = Rule(
    name="reserved-vectors-zero",
    severity="note",
    guards="device",
    checks="The words of each build's vector table that the architecture of its core reserves are zero, "
    "unless the layout writes a stamp or a checksum there.",
    why="The core never reads these words, so nothing breaks. But a handler there never runs, although its author "
    "counts on it: the start-up code is for another architecture. A marker or checksum there is unknown to the "
    "layout, and the join cannot keep it right.",
    remedy="Use the vector table for this architecture; if the device needs a value there, describe it in "
    "the layout as a stamp or checksum.",
    source="CMSIS-Core, section 'Interrupts and Exceptions (NVIC)', and its start-up templates, which write "
    "0; no architecture demands it (common practice)",
    absent="the layout has no build in an area of purpose code",
    check=check,
)
