"""A rehearsal for editors: each finding as one line ``FILE:LINE: severity: ...``, the verdict last.

A finding is at the source line that its core executed, where the builds show it, else where the layout declares
the core.
"""

from __future__ import annotations

from gemel.layout.reader import ReadLayout
from gemel.rehearsal.reports.text import verdict
from gemel.rehearsal.result import Rehearsal
from gemel.text.problem_line import problem_line


def report(rehearsal: Rehearsal, read: ReadLayout) -> str:
    """The report as text; ``read`` is the layout that the image was rehearsed by."""
    lines = []
    for finding in rehearsal.findings:
        known = finding.place.source if finding.place else ""
        place = known or read.at(("core", finding.core) if finding.core else ("rehearsal",))
        shown = (finding.what, finding.found, finding.expected, finding.next_step, finding.kind)
        lines.append(problem_line(place, finding.severity, *shown))
    return "".join(f"{line}\n" for line in [*lines, f"gemel: {verdict(rehearsal)}"])
