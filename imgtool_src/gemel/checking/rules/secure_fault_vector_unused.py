"""Rule ``secure-fault-vector-unused``: a Baseline core has no SecureFault, so nobody counts on one."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.cores.vector_tables import place_of, tables, word_span
from gemel.inspection.cores.views import described_word
from gemel.inspection.inspection import Inspection
from gemel.m_profile.vector_tables import HARD_FAULT, SECURE_FAULT
from gemel.outcomes import Finding, Holds, NotChecked, Outcome

BASELINE = "armv8-m.base"


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build of an Armv8-M Baseline core: word 7 of its vector table."""
    for table in tables(inspection, (BASELINE,)):
        if isinstance(table, NotChecked):
            yield table
            continue
        name, core = table.plan.name, table.core.name
        handlers = table.words[SECURE_FAULT : SECURE_FAULT + 1]  # flash may end before it
        if not any(handlers) or handlers[0] in (table.words[HARD_FAULT], *table.words[8:11]):
            yield Holds(f"build {name}")
            continue
        yield Finding(
            f"build {name} fills the SecureFault word, which core {core} never reads",
            (name, core),
            where=place_of(table, SECURE_FAULT),
            found=described_word(inspection, core, table.words[SECURE_FAULT]),
            expected="0x0000_0000",
            span=word_span(table, SECURE_FAULT),
        )


RULE = Rule(
    name="secure-fault-vector-unused",
    severity="warning",
    guards="device",
    checks="Word 7 of the vector table of a build for an Armv8-M Baseline core is zero, the HardFault handler, or the "
    "default handler that fills words 8 to 10 too.",
    why="SecureFault belongs to Armv8-M Mainline with the security extension. On a Baseline core every such "
    "fault is a HardFault, so a handler in this word never runs, and what it was to do (wipe keys, log, "
    "stop) is not done.",
    remedy="Do in the HardFault handler what this one was to do, and write 0 here; or correct the core's "
    "architecture in the layout.",
    source="CMSIS-Core, device header for Armv8-M Baseline, which has no SecureFault, against its table of "
    "exceptions, which has one; Armv8-M Architecture Reference Manual (from memory)",
    absent="no build in a code area runs on an armv8-m.base core",
    check=check,
)
