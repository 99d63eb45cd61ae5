"""A command's one result as text: on stdout, or in the file that -o names."""

from __future__ import annotations

from pathlib import Path

from gemel.cli.echo import echo
from gemel.cli.printing import print_diagnostic, written_words


def form_by_suffix(output: Path | None, form: str, *forms: str) -> str:
    """One of ``forms`` by the suffix of the file that -o names, where no other form than text was requested."""
    suffix = output.suffix.lower().removeprefix(".") if output else ""
    suffix = "html" if suffix == "htm" else suffix
    return suffix if form == "text" and suffix in forms else form


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
