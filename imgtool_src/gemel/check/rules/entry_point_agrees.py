"""Rule ``entry-point-agrees``: what the ELF file calls its entry is where the core starts."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.check.findings.wording import needs_elf
from gemel.check.rule import Finding, Holds, NotChecked, Outcome, Rule
from gemel.inspection.core_views import told
from gemel.inspection.inspection import Subject, VectorTable
from gemel.inspection.vector_tables import place_of, tables, word_span


def check(subject: Subject) -> Iterator[Outcome]:
    """One outcome for each build: its entry point against word 1 of its vector table in the image."""
    for table in tables(subject):
        if isinstance(table, NotChecked):
            yield table
            continue
        name = table.plan.name
        build = subject.builds.get(name)
        if build is None or build.entry is None:
            yield NotChecked(f"build {name}", needs_elf(name, build, "entry point"))
        elif build.entry == table.words[1]:
            yield Holds(f"build {name}")
        else:
            yield _finding(subject, table, build.file, build.entry)


def _finding(subject: Subject, table: VectorTable, file: str, entry: int) -> Finding:
    core = table.core.name
    return Finding(
        f"the entry point of build {table.plan.name} is not its reset handler",
        (table.plan.name, core),
        place_of(table, 1),
        f"entry point {told(subject, core, entry)} in {file}",
        f"{told(subject, core, table.words[1])}, the reset handler",
        word_span(table, 1),
    )


RULE = Rule(
    name="entry-point-agrees",
    severity="note",
    checks="The entry point of each build's file is the reset handler in its vector table.",
    why="A core that starts from flash ignores the entry point, but a debugger or a boot loader may start "
    "there. What works under the debugger then fails without it, because the code before the entry point "
    "was left out.",
    remedy="Name the reset handler as the entry point in the linker script (ENTRY), or take this as "
    "intended.",
    source="AAELF32, section 'ELF Header' (e_entry, bit 0 as for a function); common practice",
    absent="the layout has no build in an area of purpose code",
    check=check,
)
