"""``gemel show``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gemel.cli.declared import Choice, argument, option, sub_command
from gemel.cli.echo import echo
from gemel.cli.parameters import ADDRESS, FILE

if TYPE_CHECKING:
    from gemel.show.facts.contents import Contents
    from gemel.text.styled import Line, Signs

COLOURS: dict[str, dict[str, Any]] = {
    "title": {"bold": True},
    "name": {"bold": True},
    "dim": {"dim": True},
    "build": {"fg": "cyan"},
    "record": {"fg": "magenta"},
    "other": {"fg": "yellow"},
    "good": {"fg": "green"},
    "bad": {"fg": "red", "bold": True},
}


@sub_command("show")
@argument("image", kind=FILE)
@argument("builds", metavar="[NAME=BUILD]...", several=True)
@option("--layout", kind=FILE, help="Layout to read the image by.")
@option("--at", kind=ADDRESS, help="Where a raw binary goes; else the start of the layout's first flash.")
@option(
    "--format",
    "form",
    kind=Choice(["text", "json"]),
    default="text",
    help="Form of the result on stdout.",
)
def command(image: Path, builds: tuple[str, ...], layout: Path | None, at: int | None, form: str) -> int:
    """Show what is in an image.

    With a layout: its memories drawn to scale, builds, record, vector tables, stamps and checksums. With
    the builds' ELF files also the RAM they claim and the names of their handlers. Without a layout: what
    the file alone tells. Whether the image is as it must be is for gemel check to say.

    \b
    Example:
      gemel show tide.hex --layout tide-gauge.toml station=station.elf sampler=sampler.elf
    """
    contents = _contents(image, builds, layout, at)
    if form == "json":
        from gemel.show.as_data import json_text

        # JSON is ASCII by its escapes; the bytes are the same whatever the terminal's encoding.
        echo(json_text(contents).encode("ascii"), nl=False)
        return 0
    from gemel.cli.printing import terminal_width
    from gemel.show.as_text.whole import text_of

    signs = _signs(sys.stdout)
    lines = text_of(contents, terminal_width(sys.stdout), signs)
    echo("\n".join(_printed(line) for line in lines))
    return 0


def _contents(image: Path, builds: tuple[str, ...], layout: Path | None, at: int | None) -> Contents:
    from gemel.cli.printing import print_remarks
    from gemel.workflows.describing import describe, refuse_builds_without_layout
    from gemel.workflows.inputs import build_files, load_builds, load_layout, read_image

    if layout is None:
        refuse_builds_without_layout(builds)
    read = load_layout(layout) if layout else None
    loaded = read_image(image, layout=read, at=at)
    print_remarks(loaded.remarks)
    return describe(loaded, read, load_builds(read, build_files(read.layout, builds)) if read else None)


def _signs(stream: object) -> Signs:
    """Block characters where the stream can print them."""
    from gemel.text.styled import ASCII, BLOCKS

    try:
        BLOCKS.all.encode(getattr(stream, "encoding", None) or "ascii")
    except (UnicodeEncodeError, LookupError):
        return ASCII
    return BLOCKS


def _printed(line: Line) -> str:
    """The line, in colour where that is wanted."""
    from gemel.cli.printing import styled

    return "".join(styled(text, sys.stdout, **COLOURS[style]) if style else text for text, style in line)
