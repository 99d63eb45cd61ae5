"""The reports of a check: one form on stdout, any number in files, all files together or none."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from gemel.cli.declared import with_missing_files
from gemel.cli.echo import echo
from gemel.cli.printing import in_colour, print_diagnostic, prose_width, silence, written_words
from gemel.errors import GemelError
from gemel.files.paths import FilePath
from gemel.text.escaping import in_utf_8

if TYPE_CHECKING:
    from gemel.workflows.checking import CheckResult


def refuse_reports(files: Sequence[FilePath], inputs: Iterable[FilePath]) -> None:
    """Raise UsageProblem for files whose suffix names no form or that may not be written.

    Called before builds and image are read, so that a slip in a name costs no work.
    """
    if not files:
        return
    from gemel.files.output_targets import refuse_targets
    from gemel.workflows.report_forms import format_of_file

    for file in files:
        format_of_file(str(file))
    refuse_targets(files, inputs)


def inputs_among(words: Iterable[str], *files: FilePath | None) -> list[FilePath]:
    """Every file that a command line names: its words, what stands after their ``=``, and ``files``."""
    texts = [text for word in words for text in (word, word.partition("=")[2]) if text and text != "-"]
    return [*map(FilePath, texts), *(file for file in files if file)]


@contextmanager
def reports_of_problems(command: str, files: Sequence[FilePath]) -> Iterator[None]:
    """Write what keeps ``command`` from its work below into ``files``, in place of reports, and pass it on.

    So that no report of an earlier run is taken for this one's.
    """
    try:
        yield
    except GemelError as found:
        error = with_missing_files(found)
        if files:
            from gemel.files.outputs import write_all
            from gemel.workflows.problem_report import problem_document

            forms = forms_of(files).items()
            problems, code = error.problems, error.exit_code
            texts = {file: problem_document(problems, form, code, command) for file, form in forms}
            write_all({file: [in_utf_8(text)] for file, text in texts.items()})
            print_diagnostic(written_words(files))
        raise error from found.__cause__


def give_reports(
    result: CheckResult, form: str, files: Sequence[FilePath], everything: bool = False, quiet: bool = False
) -> None:
    """Print the report in ``form`` and write one into each of ``files`` in the form of its suffix.

    The reports are the result, so they are written whether rules are broken or not; ``everything`` makes
    texts list every rule and place, ``quiet`` prints nothing where the check passes.  What was written is said on
    stderr: stdout may be read by a program.
    """
    shown = Shown(result, form, everything, quiet and result.passes, all_by="--all")
    with shown:
        if files:
            from gemel.files.outputs import write_all

            write_all({file: [text] for file, text in report_texts(result, files, everything).items()})
            if not quiet:
                print_diagnostic(written_words(files))
    shown.verdict()


class Shown:
    """A report on stdout in two steps, so that what is written between them is reported before the verdict.

    ``with`` it files are written: entering prints all but the verdict, and where stdout takes nothing any more raises
    before anything is written; where the files cannot be written, the report ends with that in place of a verdict.
    """

    def __init__(
        self,
        result: CheckResult,
        form: str = "text",
        everything: bool = False,
        silent: bool = False,
        to_stderr: bool = False,
        all_by: str = "gemel check --all",
    ) -> None:
        """Nothing is printed where ``silent``; ``to_stderr`` leaves stdout to an image; ``all_by`` lists every rule."""
        self.result, self.form, self.everything = result, form, everything
        self.silent = silent
        self.to_stderr, self.all_by = to_stderr, all_by
        self.width = prose_width(sys.stderr if to_stderr else sys.stdout)

    def __enter__(self) -> None:
        self._body()

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if isinstance(error, GemelError) and self.form == "text" and not self.silent:
            from gemel.workflows.problem_report import NO_RESULT

            self._print_late([NO_RESULT])

    def _body(self) -> None:
        """Print all but the verdict; a form for programs whole."""
        if self.silent:
            return
        if self.form != "text":
            # What programs read is UTF-8 whatever the terminal's encoding.
            echo(in_utf_8(self.result.rendered(self.form)), nl=False, err=self.to_stderr)
            return
        from gemel.checking.identity import identity_of
        from gemel.checking.reports.as_text import body_of

        identity = identity_of(self.result.inspection)
        everything, width = self.everything, self.width
        self._print(body_of(self.result, identity, everything=everything, width=width, all_by=self.all_by))

    def verdict(self, done: Sequence[str] = ()) -> None:
        """Print ``done``, what was made, and the verdict; when nobody listens any more it is done all the same."""
        if self.silent or self.form != "text":
            return
        from gemel.checking.reports.as_text import verdict_lines

        self._print_late([*done, *verdict_lines(self.result, self.width)])

    def _print_late(self, lines: Sequence[str]) -> None:
        try:
            self._print(lines)
        except OSError:
            silence(sys.stderr if self.to_stderr else sys.stdout)

    def _print(self, lines: Sequence[str]) -> None:
        echo(in_colour("\n".join(lines)), err=self.to_stderr)


def report_texts(result: CheckResult, files: Iterable[FilePath], everything: bool) -> dict[FilePath, bytes]:
    """The report for each of ``files`` in the form of its suffix; ``everything`` is for texts."""
    forms = forms_of(files).items()
    return {file: in_utf_8(result.rendered(form, everything=everything)) for file, form in forms}


def forms_of(files: Iterable[FilePath]) -> dict[FilePath, str]:
    """The form of report that each file's suffix requires."""
    if not files:
        return {}
    from gemel.workflows.report_forms import format_of_file

    return {file: format_of_file(file.name).name for file in files}
