"""``gemel show``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gemel.cli.declared import Choice, argument, option, sub_command
from gemel.cli.echo import echo
from gemel.cli.parameters import ADDRESS, FILE, paths_outside_option

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

TO_BE_SIGNED = ".tbs"
"""The suffix of a file of bytes to be signed."""


@sub_command("show")
@argument("image", kind=FILE)
@argument("builds", metavar="[NAME=BUILD]...", several=True)
@option("--layout", kind=FILE, help="Layout to read the image by.")
@option("--at", kind=ADDRESS, help="Where a raw binary goes; else the start of the layout's first flash.")
@option(
    "--trust",
    metavar="PUBKEY",
    multiple=True,
    kind=FILE,
    help="Verify the seal with this public key, and end with exit code 1 unless it holds. May be repeated.",
)
@paths_outside_option
@option(
    "--format",
    "form",
    kind=Choice(["text", "json"]),
    default="text",
    help="Form of the result on stdout.",
)
def command(
    image: Path,
    builds: tuple[str, ...],
    layout: Path | None,
    at: int | None,
    trust: tuple[Path, ...],
    paths_outside: bool,
    form: str,
) -> int:
    """Show what is in an image.

    With a layout: its memories drawn to scale, builds, record, vector tables, stamps and checksums. With
    the builds' ELF files also the RAM they claim and the names of their handlers. Without a layout: what
    the file alone tells. What a record says stands as not verified unless --trust, or the layout's trust, has
    the key of a seal over it. Of a file of bytes to be signed (.tbs): what they say. Whether the image is as
    it must be is for gemel check to say.

    \b
    Example:
      gemel show tide.hex --layout tide-gauge.toml station=station.elf sampler=sampler.elf
    """
    if image.suffix.lower() == TO_BE_SIGNED:
        return _show_request(image)
    contents = _contents(image, builds, layout, at, trust, paths_outside)
    code = 1 if trust and not contents.is_signed else 0
    if form == "json":
        from gemel.show.as_json import report

        # JSON is ASCII by its escapes; the bytes are the same whatever the terminal's encoding.
        echo(report(contents).encode("ascii"), nl=False)
        return code
    from gemel.cli.printing import terminal_width
    from gemel.show.as_text.whole import text_of

    signs = _signs(sys.stdout)
    lines = text_of(contents, terminal_width(sys.stdout), signs)
    echo("\n".join(_printed(line) for line in lines))
    return code


def _show_request(path: Path) -> int:
    """Print what bytes to be signed say, from the bytes alone."""
    from gemel.files.reading import blocks_of_file
    from gemel.seals.to_be_signed import LARGEST_REQUEST, read_to_be_signed, request_lines
    from gemel.text.escaping import on_one_line

    data = bytearray()
    for block in blocks_of_file(path):
        data += block
        if len(data) > LARGEST_REQUEST:
            break
    for line in request_lines(read_to_be_signed(bytes(data), str(path))):
        echo(line[: len(line) - len(line.lstrip())] + on_one_line(line.lstrip()))
    echo("The bytes have the one form of a seal's request, and the record in them is sound.")
    echo("They do not show whether the image is the one described: gemel check does.")
    return 0


def _contents(
    image: Path,
    builds: tuple[str, ...],
    layout: Path | None,
    at: int | None,
    trust: tuple[Path, ...],
    paths_outside: bool,
) -> Contents:
    from gemel.cli.printing import print_remarks
    from gemel.workflows.describing import describe, refuse_builds_without_layout
    from gemel.workflows.inputs import build_files, load_builds, load_layout, read_image

    if layout is None:
        refuse_builds_without_layout(builds)
    read = load_layout(layout, paths_outside=paths_outside) if layout else None
    loaded = read_image(image, layout=read, at=at)
    print_remarks(loaded.remarks)
    handed = load_builds(read, build_files(read, builds)) if read else None
    if not trust:
        return describe(loaded, read, handed)
    if read is None:
        from gemel.workflows.key_inputs import public_keys

        return describe(loaded, trusted=public_keys(trust))
    from gemel.workflows.trust import trust_of

    return describe(loaded, read, handed, trusted=trust_of(read, trust).trusted)


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
