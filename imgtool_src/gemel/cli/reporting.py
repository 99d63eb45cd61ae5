"""The reports of a check: one form on stdout, any number in files, all files together or none."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from gemel.cli.echo import echo
from gemel.cli.printing import prose_width, silence, written_words

if TYPE_CHECKING:
    from gemel.workflows.checking import CheckResult


def refuse_reports(files: Sequence[Path], inputs: Iterable[Path]) -> None:
    """Raise UsageProblem for files whose suffix names no form or that may not be written.

    Called before builds and image are read, so that a slip in a name costs no work.
    """
    from gemel.checking.reports.forms import format_of_file
    from gemel.files.output_targets import refuse_targets

    for file in files:
        format_of_file(file.name)
    refuse_targets(files, inputs)


def give_reports(
    result: CheckResult,
    form: str,
    files: Sequence[Path],
    everything: bool,
) -> None:
    """Print the report in ``form`` and write one into each of ``files`` in the form of its suffix.

    The reports are the result, so they are written whether rules are broken or not; ``everything`` makes
    texts list the rules that hold too.  What was written is said on stderr: stdout may be read by a program.
    """
    from gemel.checking.reports.forms import format_of_file

    printed = result.rendered(form, everything=everything, width=prose_width(sys.stdout))
    # What programs read is UTF-8 whatever the terminal's encoding.
    echo(printed if form == "text" else _encoded(printed), nl=False)
    if not files:
        return
    from gemel.files.outputs import write_all

    forms = {file: format_of_file(file.name).name for file in files}
    write_all({file: [_encoded(result.rendered(forms[file], everything=everything))] for file in files})
    _say(written_words(files))


def _say(text: str) -> None:
    """On stderr; when nobody listens there any more the files are written all the same."""
    try:
        echo(text, err=True)
    except OSError:
        silence(sys.stderr)


def _encoded(text: str) -> bytes:
    """UTF-8; a name that is no text keeps its bytes as escapes, which JSON reads back."""
    return text.encode("utf-8", "backslashreplace")
