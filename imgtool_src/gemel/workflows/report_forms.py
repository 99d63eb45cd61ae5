"""The forms in which a check reports, each found by its name or by the suffix of a file."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module

from gemel.checking.identity import identity_of
from gemel.checking.reports.as_text import report_of
from gemel.checking.runner import RulesApplied
from gemel.errors import UsageProblem
from gemel.inspection.inspection import Inspection
from gemel.structs import Struct

Render = Callable[["RulesApplied", "Inspection", str], str]
"""From a result, what was checked and the image's file name (no path) to the report, lines ended."""


class ReportFormat(Struct):
    """One form of report: its name on the command line, the suffixes of its files, how it is made."""

    name: str
    suffixes: tuple[str, ...]
    meaning: str
    render: Render


def text_of(
    result: RulesApplied, inspection: Inspection, *, everything: bool = False, width: int = 80
) -> str:
    """The report for people, ``width`` columns wide; with ``everything`` every rule and place."""
    lines = report_of(result, identity_of(inspection), everything=everything, width=width)
    return "".join(f"{line}\n" for line in lines)


def _text(result: RulesApplied, inspection: Inspection, image_name: str) -> str:
    return text_of(result, inspection)


def _by(form: str) -> Render:
    """The report of the module of that form, which is imported where a report is made."""

    def render(result: RulesApplied, inspection: Inspection, image_name: str) -> str:
        made: str = import_module(f"gemel.checking.reports.as_{form}").report(result, inspection, image_name)
        return made

    return render


def _html(result: RulesApplied, inspection: Inspection, image_name: str) -> str:
    from gemel.page.render import page_of_check

    return page_of_check(result, inspection)


FORMATS = (
    ReportFormat("text", (".txt",), "for people", _text),
    ReportFormat("json", (".json",), "everything as data, see `gemel export check-schema`", _by("json")),
    ReportFormat("sarif", (".sarif", ".sarif.json"), "SARIF 2.1.0, for viewers of findings", _by("sarif")),
    ReportFormat("junit", (".xml",), "JUnit XML, a test case for each rule", _by("junit")),
    ReportFormat("lines", (), "one line a finding, FILE:LINE: severity: ..., for editors", _by("lines")),
    ReportFormat("html", (".html", ".htm"), "one page for a browser", _html),
)
"""Every form; a further one is one more entry here."""


def format_named(name: str) -> ReportFormat:
    """The form of that name; StopIteration cannot happen for a name that the command line took."""
    return next(each for each in FORMATS if each.name == name)


def format_of_file(name: str) -> ReportFormat:
    """The form that a file's name requires: the one with the longest suffix that fits.

    Raises UsageProblem, with the suffixes there are, when none fits.
    """
    lower = name.lower()
    fitting = [(len(suffix), each) for each in FORMATS for suffix in each.suffixes if lower.endswith(suffix)]
    if not fitting:
        expected = ", ".join(f"{suffix} ({each.name})" for each in FORMATS for suffix in each.suffixes)
        hint = "give the report a name that ends in one of these"
        raise UsageProblem(
            "the suffix names no form of report", where=name, expected=expected, next_step=hint
        )
    return max(fitting, key=lambda pair: pair[0])[1]
