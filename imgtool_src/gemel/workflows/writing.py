"""Images written to files, each in the format of its suffix."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping, Sequence
from errno import EBADF
from typing import TYPE_CHECKING

from gemel.errors import Problem, UsageProblem, nearest_hint
from gemel.files.paths import FilePath
from gemel.files.reading import HashedBlocks
from gemel.image.image import Image, ImageFile
from gemel.image.sparse import SparseBytes
from gemel.layout.model import Layout
from gemel.layout.reader import ReadLayout
from gemel.spans import Span, format_address, format_size, without
from gemel.structs import NamedTuple, replace

if TYPE_CHECKING:
    from pathlib import Path

    from gemel.workflows.checking import CheckResult

MAX_WHOLE = 1 << 28
"""Bytes of a memory that is written whole; no flash is larger, and a slip in a size must not fill a disk."""

MAX_KEPT = 1 << 24
"""Bytes of a file that are kept from its report until it is written; those of a larger one are made again."""

STDOUT = FilePath("-")
"""What stands for standard output in place of a file."""


class MadeFile(NamedTuple):
    """What a file will be, and its blocks, unless they have more than ``MAX_KEPT`` bytes."""

    file: ImageFile
    blocks: Sequence[bytes]


def output_form(path: FilePath, form: str | None) -> str | None:
    """``form`` for standard output and for a suffix that names no format; None for one that does."""
    from gemel.image.formats import FORMATS

    known = path != STDOUT and any(path.name.lower().endswith(each) for it in FORMATS for each in it.suffixes)
    return None if known else form


def refuse_suffixes(paths: Iterable[FilePath], form: str | None = None) -> None:
    """Raise UsageProblem with every path whose suffix names no image file format, where ``form`` names none."""
    from gemel.image.formats import format_of

    problems: list[Problem] = []
    for path in paths:
        try:
            format_of(str(path), output_form(path, form))
        except UsageProblem as error:
            from gemel.workflows.inputs.not_images import output_that_is_no_image

            other = output_that_is_no_image(path)
            problems.extend([other] if other else error.problems)
    if problems:
        raise UsageProblem(problems)


def write_images(
    image: Image,
    *paths: str | Path,
    layout: ReadLayout,
    memories: Mapping[Path, str] | None = None,
    form: str | None = None,
) -> dict[Path, ImageFile]:
    """Write ``image`` into every one of ``paths``: whole, and all of them or none.

    ``memories`` are further files, raw, each with every byte of the memory of that name, erased ones filled in.
    A raw binary (.bin) holds the layout's flash from the start of its first memory to the image's last byte.
    Path ``-`` is standard output, written after all files; it and suffixes that name no format are in ``form``
    (``hex``, ``srec`` or ``bin``).  Returns size and SHA-256 of each file.  Raises UsageProblem for a path that cannot
    be written or whose format cannot hold the image, OutputError when writing fails; nothing has changed then.
    """
    from pathlib import Path

    written = write_files(
        image,
        [FilePath(path) for path in paths],
        layout=layout,
        memories={FilePath(path): name for path, name in (memories or {}).items()},
        form=form,
    )
    return {Path(path): file for path, file in written.items()}


def write_files(
    image: Image,
    targets: Sequence[FilePath],
    *,
    layout: ReadLayout,
    memories: Mapping[FilePath, str],
    form: str | None,
    further: Mapping[FilePath, Iterable[bytes]] | None = None,
    made: Mapping[FilePath, MadeFile] | None = None,
) -> dict[FilePath, ImageFile]:
    """As ``write_images``, with ``further`` files; ``made`` has those of the image's files that are made already."""
    from gemel.files.outputs import write_all

    refuse_suffixes(targets, form)
    known = {path: each for path, each in (made or {}).items() if each.blocks}
    files = {
        path: HashedBlocks(encoded(path, image.data, layout.layout, image.entry, form))
        for path in targets
        if path not in known
    }
    for path, name in memories.items():
        files[path] = HashedBlocks(whole_memory(image.data, layout.layout, name))
    contents = {path: known[path].blocks if path in known else files[path] for path in (*targets, *files)}
    write_all({**{path: blocks for path, blocks in contents.items() if path != STDOUT}, **(further or {})})
    if STDOUT in contents:
        if sys.stdout is None:
            raise OSError(EBADF, "it is closed")
        for block in contents[STDOUT]:
            sys.stdout.buffer.write(block)
        sys.stdout.buffer.flush()
    return {path: known[path].file if path in known else _passed(files[path]) for path in contents}


def made_file(blocks: Iterable[bytes]) -> MadeFile:
    """The file of these blocks."""
    hashed = HashedBlocks(blocks)
    kept: list[bytes] = []
    for block in hashed:
        kept.append(block)
        if hashed.size > MAX_KEPT:
            kept.clear()
    return MadeFile(_passed(hashed), kept if hashed.size <= MAX_KEPT else ())


def _passed(blocks: HashedBlocks) -> ImageFile:
    return ImageFile(blocks.size, blocks.sha256)


def of_file(result: CheckResult, path: FilePath, file: ImageFile) -> CheckResult:
    """``result`` as that of the file at ``path``, which the checked image is written to."""
    name = "standard output" if path == STDOUT else path.name
    return replace(result, inspection=replace(result.inspection, file=name, image_file=file))


def whole_memory(image: SparseBytes, layout: Layout, name: str) -> Iterable[bytes]:
    """Every byte of the memory of that name, as a device has it after the image was programmed."""
    from gemel.image.raw_binary import encode

    memory = layout.memories[name]
    return encode(image, memory.span, memory.erased_byte)


def memory_files(layout: Layout, given: Iterable[str]) -> dict[FilePath, str]:
    """Each file of ``--memory NAME=FILE`` with its memory; raises UsageProblem with all that is wrong."""
    known = [memory.name for memory in layout.memories.values() if memory.holds_image]
    files: dict[FilePath, str] = {}
    problems = []
    for text in given:
        name, equals, file = text.partition("=")
        if not equals or not file:
            problems.append(
                Problem(
                    "not a memory and its file",
                    where="--memory",
                    found=text,
                    expected="NAME=FILE",
                    next_step="write the memory's name, '=' and the file",
                )
            )
        elif name not in known:
            what, expected = "unknown flash or ROM memory", f"one of {', '.join(known)}"
            hint = nearest_hint(name, known)
            problems.append(Problem(what, where="--memory", found=name, expected=expected, next_step=hint))
        elif FilePath(file) in files:
            problems.append(
                Problem(
                    "a file is given twice",
                    where="--memory",
                    found=text,
                    expected="a file for each memory",
                    next_step="give another name",
                )
            )
        elif layout.memories[name].size > MAX_WHOLE:
            problems.append(
                Problem(
                    "too large to be written whole",
                    where=f"memory {name}",
                    found=format_size(layout.memories[name].size),
                    expected=f"at most {format_size(MAX_WHOLE)}",
                    next_step="write the image alone: -o IMAGE",
                )
            )
        else:
            files[FilePath(file)] = name
    if problems:
        raise UsageProblem(problems)
    return files


def encoded(
    path: FilePath, image: SparseBytes, layout: Layout, entry: int | None, form: str | None = None
) -> Iterable[bytes]:
    """The blocks of the file ``path``; raises UsageProblem where its format cannot hold the image."""
    from gemel.image.formats import FileContents, format_of

    chosen = format_of(path.name, output_form(path, form))
    if chosen.has_addresses:
        return chosen.encode(FileContents(image, entry, header=layout.product))
    span, fill = _binary_span(path, image, layout)
    return chosen.encode(FileContents(image, entry, span, fill))


def _binary_span(path: FilePath, image: SparseBytes, layout: Layout) -> tuple[Span, int]:
    """What a raw binary holds: from the start of the first flash memory to the image's last byte.

    A raw binary has no addresses, so all of it must be in flash memories that follow each other.
    """
    memories = sorted((m for m in layout.memories.values() if m.holds_image), key=lambda m: m.start)
    first = min((m for m in memories if m.kind == "flash"), key=lambda m: m.start, default=None)
    bounds = image.bounds()
    if first is None or bounds is None:
        raise UsageProblem(
            "there is no flash to write a raw binary of",
            where=str(path),
            next_step="give the output a name that ends in .hex or .srec",
        )
    span = Span.from_bounds(first.start, bounds.end)
    gaps = without([span], [memory.span for memory in memories])
    if bounds.start < first.start or gaps:
        raise UsageProblem(
            "a raw binary cannot hold this image",
            where=str(path),
            found=", ".join(str(piece) for piece in image.spans()[:6]),
            expected=f"one run of flash from {format_address(first.start)} on",
            next_step="write .hex or .srec, which carry addresses",
        )
    return span, first.erased_byte
