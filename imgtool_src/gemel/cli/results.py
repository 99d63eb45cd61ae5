"""A command's one result as text: on stdout, or in the file that -o names."""

from __future__ import annotations

from collections.abc import Mapping

from gemel.cli.echo import echo
from gemel.cli.printing import in_colour, print_diagnostic, written_words
from gemel.errors import UsageProblem
from gemel.files.paths import FilePath
from gemel.text.escaping import in_utf_8

OTHER_FORMS = ("json", "html", "svg", "sarif", "junit", "csv", "jsonl")
"""Suffixes of forms that some results of gemel have: a text does not go into such a file."""


def form_by_suffix(output: FilePath | None, form: str, *forms: str) -> str:
    """One of ``forms`` by the suffix of the file that -o names, where no other form than text was requested.

    Raises UsageProblem for the suffix of a form that this result does not have.
    """
    suffix = output.suffix.lower().removeprefix(".") if output else ""
    suffix = {"htm": "html", "xml": "junit"}.get(suffix, suffix)
    if form != "text" or suffix in forms:
        return suffix if form == "text" else form
    if suffix in OTHER_FORMS:
        expected = ", ".join(f".{each}" for each in ("txt", *forms)).replace(".junit", ".xml")
        step, found = "give the file a name that ends in one of these", output.suffix if output else ""
        what = "the suffix names no form of this result"
        raise UsageProblem(what, where=f"-o {output}", found=found, expected=expected, next_step=step)
    return form


def give_text(
    text: str,
    output: FilePath | None,
    quiet: bool = False,
    plain: bool = True,
    reports: Mapping[FilePath, str] | None = None,
) -> None:
    """Write ``text`` into ``output``, or print it (not where ``quiet``); it ends its last line itself.

    What is not ``plain`` is for programs, and UTF-8 whatever the terminal's encoding.  ``reports`` are written too,
    all files together or none.
    """
    data = in_utf_8(text)
    files = {file: [in_utf_8(each)] for file, each in (reports or {}).items()}
    if output:
        files[output] = [data]
    if files:
        from gemel.files.outputs import write_all

        write_all(files)
        if not quiet:
            print_diagnostic(written_words(list(files)))
    if output is None and not quiet:
        echo(in_colour(text) if plain else data, nl=False)
