"""``gemel export``."""

from __future__ import annotations

from pathlib import Path

from gemel.cli.declared import Choice, argument, option, sub_command
from gemel.cli.echo import echo
from gemel.cli.parameters import FILE
from gemel.workflows.exports import EXPORTS

LISTED = "\n".join(f"  {export.name:<21}{export.meaning}" for export in EXPORTS)


@sub_command(
    "export",
    help="Write out what both teams need from a layout or from gemel.\n\n\b\n"
    f"{LISTED}\n\n\b\nExample:\n  gemel export c-reader -o gemel_record.h",
)
@argument("what", metavar="WHAT", kind=Choice([export.name for export in EXPORTS]))
@option(
    "-o",
    "--output",
    kind=FILE,
    help="File to write; without it the text goes to stdout.",
)
def command(what: str, output: Path | None) -> int:
    """Write the export's text."""
    from gemel.files.outputs import write_all

    export = next(each for each in EXPORTS if each.name == what)
    text = export.text()
    if output is None:
        echo(text, nl=False)
    else:
        write_all({output: [text.encode()]})
    return 0
