"""Rule ``entry-point-agrees``: what the ELF file calls its entry is where the core starts."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_table
from gemel.checking.rule import Rule
from gemel.inspection.code.code_starts import data_at, inside_of
from gemel.inspection.cores.vector_tables import place_of, word_span
from gemel.inspection.cores.views import described_word, distance
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.inspection.wording import needs_elf
from gemel.outcomes import Finding, Holds, NotChecked, Outcome

NO_ENTRY = "it lacks the Thumb bit: without ENTRY in its script the linker takes the start of .text"


@of_each_table
def check(inspection: Inspection, table: VectorTable) -> Iterator[Outcome]:
    """One outcome for each build: its entry point against word 1 of its vector table in the image."""
    name = table.plan.name
    build = inspection.builds.get(name)
    if build is None or build.entry is None:
        yield NotChecked(f"build {name}", needs_elf(name, build, "entry point"))
    elif table.words[1] == build.load_address_of(build.entry) or not distance(  # which copies itself to RAM
        inspection.layout, table.core.name, table.words[1], build.entry
    ):
        yield Holds(f"build {name}")
    elif inside_of(build, table.words[1]):
        yield NotChecked(f"build {name}", "its reset handler is no start, see handlers-at-function-starts")
    else:
        yield _finding(inspection, table, build, build.entry)


def _finding(inspection: Inspection, table: VectorTable, build: Build, entry: int) -> Finding:
    core = table.core.name
    return Finding(
        f"the entry point of build {table.plan.name} is not its reset handler",
        (table.plan.name, core),
        where=place_of(table, 1),
        found=f"entry point {described_word(inspection, core, entry)} in {build.file}",
        expected=f"{described_word(inspection, core, table.words[1])}, the reset handler",
        span=word_span(table, 1),
        lines=() if entry & 1 else (NO_ENTRY,),
        follows_from=(
            ("reset-handler-in-code", table.plan.name),
            *((("handlers-executable", table.plan.name),) if data_at(build, table.words[1] & ~1) else ()),
        ),
    )


RULE = Rule(
    name="entry-point-agrees",
    severity="note",
    guards="device",
    checks="The entry point of each build's file is the reset handler in its vector table.",
    why="A core that starts from flash ignores the entry point, but a debugger or a boot loader may start "
    "there. What works under the debugger then fails without it, because the code before the entry point "
    "was left out.",
    remedy="Name the reset handler as the entry point in the linker script (ENTRY), or waive this rule if the "
    "difference is intended.",
    source="AAELF32, section 'ELF Header' (e_entry, bit 0 as for a function); common practice",
    absent="the layout has no build in an area of purpose code",
    check=check,
)
