"""Images read for the commands, each in the format of its suffix or as asked."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from itertools import chain
from typing import TYPE_CHECKING

from gemel.errors import UsageProblem, all_of
from gemel.files.contents import ELF_START, LOOK
from gemel.files.paths import FilePath
from gemel.files.reading import STDIN, HashedBlocks, blocks_of_file
from gemel.image.image import Image, ImageFile
from gemel.layout.model import Layout
from gemel.layout.reader import ReadLayout
from gemel.spans import format_address
from gemel.workflows.inputs.unreadable import unreadable

if TYPE_CHECKING:
    from pathlib import Path

    from gemel.image.formats import Format


def read_image(
    path: str | Path, *, layout: ReadLayout | None = None, at: int | None = None, form: str | None = None
) -> Image:
    """Read an image file, its format by its suffix or ``form`` (``hex``, ``srec`` or ``bin``).

    A raw binary goes to address ``at``, else to the start of the layout's first flash memory.  Path ``-`` is
    standard input, of which ``form`` must say what it is.  Raises
    ImageFormatError for a malformed file, UsageProblem for one that cannot be read, and where nothing says
    where a raw binary goes.
    """
    return read_images([FilePath(path)], layout, at, form)[0]


def read_images(
    paths: Sequence[FilePath],
    layout: ReadLayout | Sequence[ReadLayout | None] | None,
    at: int | None,
    form: str | None = None,
) -> list[Image]:
    """Read images, each as ``read_image`` does, by one layout or by one each.

    Raises UsageProblem if ``at`` is given and none is raw.
    """
    from gemel.image.formats import format_of
    from gemel.workflows.inputs.not_images import refuse_no_image

    def format_at(path: FilePath) -> Format:
        refuse_no_image(path, form)
        try:
            return format_of(str(path), form)
        except UsageProblem as error:
            raise UsageProblem([*unreadable(path)] or error.problems) from error

    formats = all_of(*(partial(format_at, path) for path in paths))
    if at is not None and all(form.has_addresses for form in formats):
        found, step = format_address(at), "leave --at out; it is for raw binaries, .bin"
        what = f"{formats[0].name} files have addresses of their own"
        raise UsageProblem(
            what, where="--at", found=f"{found} for {paths[0].name}", expected="no --at", next_step=step
        )
    layouts = layout if isinstance(layout, list | tuple) else [layout] * len(paths)
    each = zip(paths, formats, layouts, strict=True)
    return list(all_of(*(partial(_decoded, path, form, read, at) for path, form, read in each)))


def _decoded(path: FilePath, form: Format, layout: ReadLayout | None, at: int | None) -> Image:
    start = at or 0
    if at is None and not form.has_addresses:
        start = _first_flash(layout.layout if layout else None, path)
    blocks = HashedBlocks(_of_the_format(path, form))
    decoded = form.decode(blocks, str(path), start)
    for _ in blocks:  # the digest is over the whole file, whatever stands after the last record
        pass
    file = ImageFile(blocks.size, blocks.sha256, None if form.has_addresses else at)
    name = "standard input" if path == STDIN else path.name
    return Image(decoded.image, decoded.entry, decoded.remarks, name, form.has_addresses, file)


def _of_the_format(path: FilePath, form: Format) -> Iterator[bytes]:
    """The file's blocks; raises UsageProblem where they are of another format than ``form``.

    For standard input and --as: of a file by its suffix that was said before it was opened.
    """
    from gemel.image.formats import FORMATS
    from gemel.workflows.inputs.not_images import AN_ELF, format_held

    blocks = blocks_of_file(path)
    first = next(blocks, b"")
    holds = format_held(first[:LOOK])
    if first.startswith(ELF_START) or (holds and holds != form.short):
        found, step = next((each.name for each in FORMATS if each.short == holds), ""), f"give --as {holds}"
        if first.startswith(ELF_START):
            found, step = AN_ELF, "join it first, and give the image"
        what = "the content is not of the format that it is read as"
        raise UsageProblem(what, where=str(path), found=found, expected=form.name, next_step=step)
    return chain((first,), blocks) if first else blocks


def _first_flash(layout: Layout | None, path: FilePath) -> int:
    if layout is None:
        raise UsageProblem(
            "a raw binary does not say where it goes",
            where=str(path),
            expected="an address",
            next_step="give --at ADDRESS, or a layout where the command takes one",
        )
    if (flash := layout.flash_start) is None:
        raise UsageProblem(
            "the layout has no flash for a raw binary",
            where=str(path),
            expected="an address",
            next_step="give --at ADDRESS",
        )
    return flash
