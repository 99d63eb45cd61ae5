"""Rule ``reached-instructions-fit-core``: the code that the vectors lead to is code that the core can run."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.check.rule import Holds, NotChecked, Outcome, Rule
from gemel.check.subject import Subject, VectorTable
from gemel.check.vector_tables import reserved_words, tables
from gemel.check.wording import needs_elf
from gemel.spans import format_size

if TYPE_CHECKING:
    from gemel.check.code.flow import Flow
    from gemel.check.code.lacking_instructions import Place

DOUBT = (
    "less certain than with the ELF file: code is told from data by following branches from the vectors, "
    "so this may be data"
)


def check(subject: Subject) -> Iterator[Outcome]:
    """One outcome for each build whose symbols are not at hand, or a finding for each kind of instruction."""
    from gemel.check.code.spelling import why_not

    reason = why_not(subject.disassemble)
    for table in tables(subject):
        if isinstance(table, NotChecked):
            yield table
            continue
        build = subject.builds.get(table.plan.name)
        if not needs_elf(table.plan.name, build, "symbols"):
            continue
        if reason:
            yield NotChecked(f"build {table.plan.name}", reason)
        else:
            yield from _outcomes(subject, table)


def _outcomes(subject: Subject, table: VectorTable) -> Iterator[Outcome]:
    from gemel.check.code.flow import Flow
    from gemel.check.code.lacking_instructions import lacking_findings

    code = subject.bytes_of(table.placed.stored)
    flow = Flow(code, table.placed.run_start)
    skipped = reserved_words(table.core.architecture)
    handlers = [word for index, word in enumerate(table.words) if index and index not in skipped and word & 1]
    flow.follow(handlers)
    where = f"build {table.plan.name} in the image, {table.placed.stored}"
    findings = list(lacking_findings(table.plan, table.core, where, _lacking(table, code, flow), DOUBT))
    yield from findings
    if not findings:
        size = sum(size for _, size in flow.reached())
        yield Holds(f"build {table.plan.name}, {format_size(size)} of code that were reached")


def _lacking(table: VectorTable, code: bytes, flow: Flow) -> Iterator[Place]:
    """Reached instructions that the core lacks, as far as the disassembler takes them for instructions."""
    from gemel.check.code.capabilities import lacking
    from gemel.check.code.lacking_instructions import Place
    from gemel.check.code.sieve import Sieve
    from gemel.check.code.spelling import spelled

    sieve = Sieve(lacking(table.core))
    for offset, size in flow.reached():
        data = code[offset : offset + size]
        encoding = sieve.of(data)
        address = table.placed.run_start + offset
        if encoding and spelled(data, address):
            yield Place(address, data, encoding)


RULE = Rule(
    name="reached-instructions-fit-core",
    severity="warning",
    checks="Where a build's symbols are not at hand, every instruction of the image that branches and "
    "calls from its vectors lead to is one that its core has.",
    why="An instruction that the core lacks is undefined and faults when it is reached. Without mapping "
    "symbols data may look like code, so what is found here is worth a look and no proof.",
    remedy="Check again with the build's ELF file, which settles it; then see instructions-fit-core.",
    source="common practice; encodings of branches and which architecture has which instruction: Armv6-M, "
    "Armv7-M and Armv8-M architecture reference manuals (from memory)",
    absent="no build has to do without its symbols: instructions-fit-core looks at them",
    check=check,
)
