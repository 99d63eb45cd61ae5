"""Why the place of a stamp or checksum cannot be known."""

from __future__ import annotations

from gemel.errors import GemelError
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import needs_elf
from gemel.layout.model import Checksum, Stamp, SymbolPlace


def no_place(inspection: Inspection, item: Stamp | Checksum, error: GemelError) -> str:
    """The reason for a rule that ``item`` is not checked, after its lookup raised ``error``."""
    if isinstance(item.at, SymbolPlace):
        reason = needs_elf(item.at.build, inspection.builds.get(item.at.build), "symbols")
        if reason:
            return reason
    problem = error.problems[0]
    return f"{problem.what}: found {problem.found}, expected {problem.expected}"
