"""The result of a check for editors: each open finding as one line ``FILE:LINE: severity: ...``, the verdict last.

A finding is where its source line is known there (an instruction of a build with line tables, or where the rehearsal
stopped); else at the line of the layout that declares the first of its parties.  Sources are named as line tables
name them, without a folder.  Waived findings are left out; a waiver that covers nothing is a note.
"""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.reports.as_text import not_checked_line, verdict
from gemel.checking.reports.sarif_places import LayoutLines
from gemel.checking.runner import RulesApplied
from gemel.inspection.inspection import Inspection
from gemel.outcomes import Finding
from gemel.text.problem_line import problem_line


def report(result: RulesApplied, inspection: Inspection, image_name: str) -> str:
    """The report as text; unlike other reports it names the layout as it was given, folder and all."""
    return "".join(f"{line}\n" for line in _lines(result, inspection))


def _lines(result: RulesApplied, inspection: Inspection) -> Iterator[str]:
    read = inspection.read
    missing = [it for each in result.results for it in each.not_checked]
    names = [name for each in result.findings for name in each.finding.parties]
    names += [need.name for it in missing for need in it.needs if need.kind == "build"]
    lines = LayoutLines(read, names) if read.text else None

    def at_line(number: int) -> str:
        return f"{read.file}:{number}" if lines else ""

    def place_of(finding: Finding) -> str:
        declared = lines.first_of(finding.parties) if lines else 1
        return finding.source or at_line(declared)

    for each in result.results:
        for judged in each.findings:
            finding = judged.finding
            if judged.waiver is None:
                ended = f"a waiver ended on {judged.ended.until}" if judged.ended else judged.refused
                step = "; ".join(filter(None, (each.rule.step_after(finding), ended)))
                shown = (finding.what, finding.found, finding.expected, step, each.rule.name)
                yield problem_line(place_of(finding), each.severity, *shown)
        if result.strict == "inputs" and each.lacks_input:
            for it in each.not_checked:
                what = f"not checked: {f'{it.where}: ' if it.where else ''}{it.reason}"
                at = lines.first_of(need.name for need in it.needs) if lines else 1
                yield problem_line(at_line(at), "error", what, name=each.rule.name)
    for waiver in result.idle_waivers:
        place = at_line(lines.of_waiver(waiver)) if lines else ""
        yield problem_line(place, "note", f"waiver without a finding at {waiver.where}", name=waiver.rule)
    if left := not_checked_line(result):
        yield f"gemel: not checked: {left}"
    yield f"gemel: {verdict(result)}"
