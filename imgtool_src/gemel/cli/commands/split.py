"""``gemel split``."""

from __future__ import annotations

from pathlib import Path

from gemel.cli.declared import argument, option, sub_command
from gemel.cli.parameters import ADDRESS, FILE


@sub_command("split")
@argument("layout", kind=FILE)
@argument("image", kind=FILE)
@argument("builds", metavar="[NAME=BUILD]...", several=True)
@option("-o", "--output", "folder", metavar="FOLDER", kind=FILE, required=True, help="Folder for the parts.")
@option("--at", kind=ADDRESS, help="Where a raw binary goes; else the start of the layout's first flash.")
def command(layout: Path, image: Path, builds: tuple[str, ...], folder: Path, at: int | None) -> int:
    """Take an image apart: one HEX and one raw binary a build.

    So one team's new build can be joined with the other's out of a received image. gemel join of all parts gives
    the image's bytes again, with the same version and counter. NAME.part.toml beside the parts holds what bytes
    do not say: the build id, and where stamps and checksums go; a place that several bytes could be is kept as
    such, and a join that would change its value asks for the ELF file.

    \b
    Example:
      gemel split tide-gauge.toml tide.hex -o parts
    """
    from gemel.cli.printing import print_done, print_remarks, written_words
    from gemel.files.output_targets import refuse_targets
    from gemel.files.outputs import write_all
    from gemel.workflows.inputs import build_files, load_builds, load_layout, read_image
    from gemel.workflows.splitting import split

    read = load_layout(layout)
    files = build_files(read, builds)
    loaded = read_image(image, layout=read, at=at)
    parts = split(read, loaded, load_builds(read, files))
    _make_folder(folder)
    outputs = {folder / name: [data] for name, data in parts.files.items()}
    refuse_targets(list(outputs), [layout, image, *files.values()])
    write_all(outputs)
    print_remarks(parts.remarks)
    print_done(written_words(outputs))
    return 0


def _make_folder(folder: Path) -> None:
    from gemel.errors import OutputError, Problem

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        reason = error.strerror or str(error)
        raise OutputError(Problem("the folder cannot be made", where=str(folder), found=reason)) from error
