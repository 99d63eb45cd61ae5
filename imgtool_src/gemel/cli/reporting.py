"""The reports of a check: one form on stdout, any number in files, all files together or none."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from gemel.cli.echo import echo
from gemel.cli.printing import print_diagnostic, prose_width, styled, written_words
from gemel.errors import GemelError

if TYPE_CHECKING:
    from gemel.workflows.checking import CheckResult

HEADS = {
    "BROKEN ": "red",
    "FAIL: ": "red",
    "WARNING ": "yellow",
    "NOTE ": "cyan",
    "waived ": "cyan",
    "PASS: ": "green",
}
"""The words that findings and the verdict begin with, and their colours."""


def refuse_reports(files: Sequence[Path], inputs: Iterable[Path]) -> None:
    """Raise UsageProblem for files whose suffix names no form or that may not be written.

    Called before builds and image are read, so that a slip in a name costs no work.
    """
    from gemel.checking.reports.forms import format_of_file
    from gemel.files.output_targets import refuse_targets

    for file in files:
        format_of_file(file.name)
    refuse_targets(files, inputs)


def inputs_among(words: Iterable[str], *files: Path | None) -> list[Path]:
    """Every file that a command line names: its words, what stands behind their ``=``, and ``files``."""
    texts = [text for word in words for text in (word, word.partition("=")[2]) if text and text != "-"]
    return [*map(Path, texts), *(file for file in files if file)]


@contextmanager
def reports_of_problems(files: Sequence[Path]) -> Iterator[None]:
    """What keeps the work below from being done is written into ``files`` in place of reports, and passed on.

    So that no report of an earlier run is taken for this one's.
    """
    try:
        yield
    except GemelError as error:
        if files:
            from gemel.files.outputs import write_all
            from gemel.workflows.problem_report import problem_document

            forms = _forms(files).items()
            write_all({file: [_encoded(problem_document(error.problems, form))] for file, form in forms})
            print_diagnostic(written_words(files))
        raise


def give_reports(
    result: CheckResult,
    form: str,
    files: Sequence[Path],
    everything: bool = False,
    quiet: bool = False,
    done: Sequence[str] = (),
    to_stderr: bool = False,
) -> None:
    """Print the report in ``form`` and write one into each of ``files`` in the form of its suffix.

    The reports are the result, so they are written whether rules are broken or not; ``everything`` makes
    texts list every rule and place, ``quiet`` prints nothing where the check passes.  What was written is said on
    stderr: stdout may be read by a program.  ``done`` are lines of what was made besides, for text; ``to_stderr``
    leaves stdout to an image.
    """
    if not (quiet and result.passes):
        printed = result.rendered(form, everything=everything, width=prose_width(sys.stdout), done=done)
        # What programs read is UTF-8 whatever the terminal's encoding.
        echo(in_colour(printed) if form == "text" else _encoded(printed), nl=False, err=to_stderr)
    if files:
        from gemel.files.outputs import write_all

        write_all({file: [text] for file, text in report_texts(result, files).items()})
        if not quiet:
            print_diagnostic(written_words(files))


def report_texts(result: CheckResult, files: Iterable[Path]) -> dict[Path, bytes]:
    """The report for each of ``files`` in the form of its suffix; a text has every rule and place."""
    return {file: _encoded(result.rendered(form, everything=True)) for file, form in _forms(files).items()}


def in_colour(text: str) -> str:
    """A report with the heads of findings and the verdict in colour, where that is wanted on stdout."""
    lines = text.split("\n")
    for at, line in enumerate(lines):
        head = next((each for each in HEADS if line.startswith(each)), None)
        if head:
            word = head.rstrip()
            lines[at] = styled(word, sys.stdout, fg=HEADS[head], bold=True) + line[len(word) :]
    return "\n".join(lines)


def _forms(files: Iterable[Path]) -> dict[Path, str]:
    from gemel.checking.reports.forms import format_of_file

    return {file: format_of_file(file.name).name for file in files}


def _encoded(text: str) -> bytes:
    """UTF-8; a name that is no text keeps its bytes as escapes, which JSON reads back."""
    return text.encode("utf-8", "backslashreplace")
