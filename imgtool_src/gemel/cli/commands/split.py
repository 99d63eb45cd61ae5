"""``gemel split``."""

from __future__ import annotations

import os
import sys

from gemel.cli import options
from gemel.cli.declared import DONE, FILE, option, sub_command
from gemel.cli.options import OF_AN_IMAGE
from gemel.cli.positions import given, layout_of
from gemel.cli.printing import print_done, print_remarks, wrapped, written_words
from gemel.errors import OutputError
from gemel.files.paths import FilePath
from gemel.structs import Struct


class SplitArguments(Struct, kw_only=True):
    """The words and options of ``gemel split``."""

    words: tuple[str, ...] = options.image_words
    folder: FilePath = option(
        "-o", "--output", metavar="FOLDER", kind=FILE, required=True, help="Folder for the parts."
    )
    at: int | None = options.at
    as_form: str | None = options.as_form
    paths_outside: bool = options.paths_outside


@sub_command("split", SplitArguments, works_long=True, exits=DONE)
def command(asked: SplitArguments) -> int:
    """Take an image apart: one HEX and one raw binary a build.

    So one team's new build can be joined with the other's out of a received image. gemel join of all parts gives
    the image's bytes again, with the same version and counter. NAME.part.toml next to the parts holds what bytes
    do not say: the build id, and where stamps and checksums go; a place that several bytes could be is kept as
    such, and a join that would change its value needs the ELF file.

    \b
    Example:
      gemel split tide-gauge.toml tide.hex -o parts
    """
    from gemel.files.output_targets import refuse_targets
    from gemel.files.outputs import write_all
    from gemel.workflows.inputs.builds import builds_of_image
    from gemel.workflows.inputs.images import read_image
    from gemel.workflows.inputs.layouts import load_layout_and_files
    from gemel.workflows.splitting import split

    found = given(asked.words, OF_AN_IMAGE)
    layout, image = layout_of(found), found.images[0]
    read, _, _ = load_layout_and_files(layout, found.builds, paths_outside=asked.paths_outside)
    loaded = read_image(image, layout=read, at=asked.at, form=asked.as_form)
    files, builds, remarks = builds_of_image(read, loaded, found.builds)
    parts = split(read, loaded, builds)
    _make_folder(asked.folder)
    outputs = {asked.folder / name: [data] for name, data in parts.files.items()}
    refuse_targets([], [layout, image, *files.values()], outputs)
    write_all(outputs)
    print_remarks([*remarks, *parts.remarks])
    print_done("\n".join(wrapped(written_words(outputs), sys.stdout)))
    return 0


def _make_folder(folder: FilePath) -> None:
    try:
        os.makedirs(folder, exist_ok=True)
    except OSError as error:
        raise OutputError(
            "the folder cannot be made",
            where=str(folder),
            found=error.strerror or str(error),
            expected="a folder, or a name that is free",
            next_step="choose another folder with -o",
        ) from error
