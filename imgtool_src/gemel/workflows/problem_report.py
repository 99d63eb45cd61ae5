"""What kept a command from its work, in the forms of reports: for anyone who requested a result and gets none."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from gemel.checking.reports.documents import Case, html_document, junit_document, sarif_document
from gemel.errors import LABELS, Problem
from gemel.structs import Struct
from gemel.text.as_json import data_of, json_text
from gemel.text.wrapping import label_head, wrapped
from gemel.version import __version__

FORMAT = 1
"""Version of the form; a change that an old reader would misread gets the next number."""

COULD_NOT_BE_DONE = "the work could not be done"
NO_RESULT = f"NO RESULT: {COULD_NOT_BE_DONE}."
"""What stands where a verdict would."""

DO_NOT_JOIN = "the builds do not join"
REFUSED = f"FAIL: {DO_NOT_JOIN}."
"""The verdict on builds that cannot be placed, or whose values cannot be had: exit code 1."""


class ReportedTool(Struct):
    """What made the report."""

    name: Annotated[Literal["gemel"], "its name"]
    version: Annotated[str, "its version"]


class ReportedProblem(Struct):
    """One thing that is wrong."""

    what: Annotated[str, "what is wrong, in one line"]
    where: Annotated[str, "file, file and line, build, option or address; empty: nowhere in particular"]
    found: Annotated[str, "what is there"]
    expected: Annotated[str, "what should be"]
    next_step: Annotated[str, "what to do"]


class ProblemReport(Struct):
    """Why there is no result: in place of it, on stdout or in a report file."""

    format: Annotated[int, f"version of this form: {FORMAT}"]
    tool: Annotated[ReportedTool, "what made the report"]
    exit_code: Annotated[int, "1: a rule of joining is broken; 2: the work could not be done"]
    problems: Annotated[tuple[ReportedProblem, ...], "all that is wrong"]


def problem_report(problems: Sequence[Problem], exit_code: int = 2) -> str:
    """The problems as JSON text."""
    reported = tuple(ReportedProblem(*_parts(each)) for each in problems)
    return json_text(data_of(ProblemReport(FORMAT, ReportedTool("gemel", __version__), exit_code, reported)))


def problem_document(problems: Sequence[Problem], form: str, exit_code: int = 2, command: str = "") -> str:
    """The problems of ``command`` in one of the forms of reports: text, json, sarif, junit, lines or html."""
    if form == "json":
        return problem_report(problems, exit_code)
    if form == "sarif":
        return _sarif(problems, exit_code)
    if form == "junit":
        return _junit(problems, exit_code, command)
    if form == "lines":
        return _lines(problems)
    return _html(problems, exit_code) if form == "html" else _text(problems, exit_code)


def _parts(problem: Problem) -> tuple[str, str, str, str, str]:
    return problem.what, problem.where, problem.found, problem.expected, problem.next_step


def _text(problems: Sequence[Problem], exit_code: int) -> str:
    lines: list[str] = []
    for each in problems:
        lines += wrapped(each.what, 80, "error: ")
        rows = zip(LABELS, _parts(each)[1:], strict=True)
        lines += [line for label, value in rows if value for line in wrapped(value, 80, label_head(label))]
    return "".join(f"{line}\n" for line in [*lines, "", REFUSED if exit_code == 1 else NO_RESULT])


def _sarif(problems: Sequence[Problem], exit_code: int) -> str:
    """An invocation that did not succeed, with the problems as notifications (SARIF 2.1.0, 3.20.14 and 3.20.21)."""
    notes = [
        {"level": "error", "message": {"text": str(each).replace("{", "{{").replace("}", "}}")}}
        for each in problems
    ]
    invocation = {"executionSuccessful": False, "exitCode": exit_code, "toolExecutionNotifications": notes}
    return sarif_document({"invocations": [invocation]})


def _junit(problems: Sequence[Problem], exit_code: int, command: str) -> str:
    """One case for each problem: a failure where builds do not join, else an error."""
    wrong = "failure" if exit_code == 1 else "error"
    parts = [((wrong, str(each), {"message": each.what}),) for each in problems]
    cases = [Case(f"problem-{number}", each) for number, each in enumerate(parts, 1)]
    return junit_document(command, "gemel", cases)


def _lines(problems: Sequence[Problem]) -> str:
    """One line a problem; a place that is no line of a file is said with it."""
    import re

    from gemel.text.problem_line import problem_line

    lines = []
    for each in problems:
        in_file = re.search(r":\d+\Z", each.where)
        what = each.what if in_file or not each.where else f"{each.what} ({each.where})"
        shown = (what, each.found, each.expected, each.next_step)
        lines.append(problem_line(each.where if in_file else "", "error", *shown))
    return "".join(f"{line}\n" for line in lines)


def _html(problems: Sequence[Problem], exit_code: int) -> str:
    sections = [(each.what, list(zip(LABELS, _parts(each)[1:], strict=True))) for each in problems]
    title = f"Fail: {DO_NOT_JOIN}" if exit_code == 1 else f"No result: {COULD_NOT_BE_DONE}"
    return html_document(title, sections)
