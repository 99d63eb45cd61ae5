"""A command's one result as text: on stdout, or in the file that -o names."""

from __future__ import annotations

from pathlib import Path

from gemel.cli.echo import echo
from gemel.cli.printing import print_diagnostic, written_words
from gemel.errors import UsageProblem

OTHER_FORMS = ("json", "html", "svg", "sarif", "xml", "csv", "jsonl")
"""Suffixes of forms that some results of gemel have: a text does not go into such a file."""


def form_by_suffix(output: Path | None, form: str, *forms: str) -> str:
    """One of ``forms`` by the suffix of the file that -o names, where no other form than text was requested.

    Raises UsageProblem for the suffix of a form that this result does not have.
    """
    suffix = output.suffix.lower().removeprefix(".") if output else ""
    suffix = "html" if suffix == "htm" else suffix
    if form != "text" or suffix in forms:
        return suffix if form == "text" else form
    if suffix in OTHER_FORMS:
        expected = ", ".join(f".{each}" for each in ("txt", *forms))
        step = "give the file a name that ends in one of these"
        what = "the suffix names no form of this result"
        raise UsageProblem(what, where=f"-o {output}", found=f".{suffix}", expected=expected, next_step=step)
    return form


def give_text(text: str, output: Path | None, quiet: bool = False, plain: bool = True) -> None:
    """Write ``text`` whole into ``output``, or print it (not where ``quiet``); it ends its last line itself.

    What is not ``plain`` is for programs, and UTF-8 whatever the terminal's encoding.
    """
    data = text.encode("utf-8", "backslashreplace")
    if output is None:
        if not quiet:
            echo(text if plain else data, nl=False)
        return
    from gemel.files.outputs import write_all

    write_all({output: [data]})
    if not quiet:
        print_diagnostic(written_words([output]))
