"""From what is known of an image to the text of its page: template, style, script and data in one file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from gemel.checking.identity import identity_of
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.page.drawing import drawn
from gemel.page.embedding import embedded_bytes, embedded_symbols, json_in_script
from gemel.page.strips import PlacedFinding, strips_of
from gemel.page.symbols import build_symbols
from gemel.page.templates import rendered, safe
from gemel.page.treemap import treemap
from gemel.rehearsal.result import Rehearsal
from gemel.show.facts.contents import Contents
from gemel.show.facts.gather import contents_of
from gemel.spans import Span
from gemel.structs import Struct
from gemel.text.escaping import on_one_line

if TYPE_CHECKING:
    from gemel.checking.runner import Judged, RuleResult, RulesApplied

MAX_FINDINGS = 300
"""Findings that are written out; the page says how many more there are."""

MAX_OBJECTS = 15
MAX_EVENTS = 300


STATUSES = {
    "holds": "rules hold",
    "broken": "broken",
    "warning": "with a warning",
    "note": "with a note",
    "waived": "waived",
    "not checked": "not checked",
    "does not apply": "do not apply",
}


class ShownFinding(Struct):
    """A finding with its number on the page and its place on the map; ``span`` is None where it has none."""

    number: int
    rule: str
    severity: str
    judged: Judged
    next_step: str
    span: Span | None


def page_of_check(result: RulesApplied, inspection: Inspection) -> str:
    """The page of a check: everything that `page_of_image` has, and what the check found."""
    contents = contents_of(inspection, inspection.file, inspection.entry, inspection.read.name)
    return _page(contents, inspection.image, inspection, result)


def page_of_image(contents: Contents, image: SparseBytes, inspection: Inspection | None = None) -> str:
    """The page of what is in an image; ``inspection`` is None where there is no layout."""
    return _page(contents, image, inspection, None)


def _page(
    contents: Contents, image: SparseBytes, inspection: Inspection | None, result: RulesApplied | None
) -> str:
    shown = list(_findings(result, inspection)) if result and inspection else []
    placed = [
        PlacedFinding(each.number, each.severity, each.judged.finding.what, each.span)
        for each in shown
        if each.span
    ]
    symbols = build_symbols(inspection) if inspection else ()
    data, blocks = embedded_symbols(symbols), embedded_bytes(image, _of_interest(contents, placed))
    strips = strips_of(contents, placed)
    rehearsal = inspection.rehearsal if inspection else None
    return rendered(
        "page.html",
        "page.js",
        contents=contents,
        identity=identity_of(inspection) if result and inspection else contents.identity,
        result=result,
        statuses=STATUSES.items(),
        findings=shown[:MAX_FINDINGS],
        finding_count=len(shown),
        not_checked=_not_checked(result),
        strips=[(strip, safe(drawn(strip))) for strip in strips],
        symbols=symbols,
        treemap=lambda own, number: safe(treemap(own, number)),
        largest=MAX_OBJECTS,
        facts=safe(json_in_script(_facts(contents, inspection, blocks.left_out))),
        symbol_data=data,
        bytes=blocks,
        rehearsal=rehearsal if isinstance(rehearsal, Rehearsal) else None,
        timeline=safe(_timeline(rehearsal)) if isinstance(rehearsal, Rehearsal) else "",
        max_events=MAX_EVENTS,
    )


def _findings(result: RulesApplied, inspection: Inspection) -> Iterator[ShownFinding]:
    order = {"error": 0, "warning": 1, "note": 2}
    rows = sorted(
        ((each, judged) for each in result.results for judged in each.findings),
        key=lambda row: (row[1].waiver is not None, order[row[0].severity]),
    )
    for number, (each, judged) in enumerate(rows, 1):
        severity = "waived" if judged.waiver else each.severity
        step = each.rule.step_after(judged.finding)
        yield ShownFinding(number, each.rule.name, severity, judged, step, _place(judged, inspection))


def _place(judged: Judged, inspection: Inspection) -> Span | None:
    """Where a finding is on the map: its own bytes, else the first area or build that it names."""
    if judged.finding.span:
        return judged.finding.span
    for party in judged.finding.parties:
        if party in inspection.layout.areas:
            return inspection.layout.span_of(party)
        if party in inspection.placed:
            return inspection.placed[party].stored
    return None


def _not_checked(result: RulesApplied | None) -> list[tuple[RuleResult, str, str]]:
    return [
        (each, missing.where, str(missing.reason))
        for each in (result.results if result else ())
        for missing in each.not_checked
    ]


def _of_interest(contents: Contents, placed: Sequence[PlacedFinding]) -> Iterator[Span]:
    """What the page should have the bytes of before all others."""
    for table in contents.vector_tables:
        yield table.span
    for record in contents.records:
        yield record.span
    for seal in contents.seals:
        yield Span(seal.span.start, min(seal.span.size, 1 << 16))
    for value in contents.values:
        if value.span:
            yield value.span
    for finding in placed:
        yield Span(finding.span.start, 1)


def _facts(contents: Contents, inspection: Inspection | None, left_out: Sequence[Span]) -> dict[str, object]:
    """What the script knows of the device: memories as each core sees them, areas, what builds store."""
    cores = list(inspection.layout.cores) if inspection else []
    memories = [
        {
            "name": on_one_line(memory.name),
            "kind": memory.kind,
            "start": memory.span.start,
            "size": memory.span.size,
            "erased": memory.erased_byte,
            "aliases": [int(alias) for alias in memory.aliases],
            "views": {view.core: int(view.start) for view in memory.views},
            "areas": [
                [on_one_line(area.name or ""), area.span.start, area.span.size] for area in memory.areas
            ],
        }
        for memory in contents.memories
    ]
    builds = [
        [on_one_line(build.name), build.core, build.stored.start, build.stored.size]
        for build in contents.builds
        if build.stored
    ]
    return {"cores": cores, "memories": memories, "builds": builds, "leftOut": left_out}


def _timeline(rehearsal: Rehearsal) -> str:
    from gemel.rehearsal.reports.svg import picture_of

    return picture_of(rehearsal, style="").rstrip("\n")
