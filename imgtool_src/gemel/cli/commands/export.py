"""``gemel export``."""

from __future__ import annotations

from pathlib import Path

import click

from gemel.cli.parameters import FILE
from gemel.export.kinds import EXPORTS

LISTED = "\n".join(f"  {export.name:<14}{export.meaning}" for export in EXPORTS)


@click.command(
    "export",
    help="Write out what both teams need from a layout or from gemel.\n\n\b\n"
    f"{LISTED}\n\n\b\nExample:\n  gemel export c-reader -o gemel_record.h",
)
@click.argument("what", metavar="WHAT", type=click.Choice([export.name for export in EXPORTS]))
@click.option(
    "-o",
    "--output",
    type=FILE,
    help="File to write; without it the text goes to stdout.",
)
def command(what: str, output: Path | None) -> int:
    """Write the export's text."""
    from gemel.files.outputs import write_all

    export = next(each for each in EXPORTS if each.name == what)
    text = export.text()
    if output is None:
        click.echo(text, nl=False)
    else:
        write_all({output: [text.encode()]})
    return 0
