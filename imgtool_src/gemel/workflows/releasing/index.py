"""The index of what was released: a release put into it, and images found by what blocks they have."""

from __future__ import annotations

import hashlib
import os
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from typing import TYPE_CHECKING

from gemel.audit.index import Index
from gemel.audit.result import ImageResult
from gemel.errors import Problem, UsageProblem
from gemel.files.folders import write_folder
from gemel.files.output_targets import refuse_targets
from gemel.files.paths import FilePath
from gemel.image.formats import format_of
from gemel.release.contents import CONTENTS, read_contents
from gemel.spans import Span, align_down, align_up
from gemel.structs import replace
from gemel.workflows.auditing.worker import indexed_blocks, result_of_check
from gemel.workflows.inputs.images import read_image

if TYPE_CHECKING:
    from pathlib import Path

    from gemel.workflows.releasing.release import Released

ERASED = b"\xff"
"""What erased bytes of a file read that no layout is there for."""


def refuse_index(file: FilePath, folder: FilePath) -> None:
    """Raise UsageProblem or OutputError unless ``file`` is an index that a release in ``folder`` can be put into.

    It is not made and not changed.
    """
    if os.path.abspath(file).startswith(os.path.join(os.path.abspath(folder), "")):
        what, step = "the index cannot be inside of the release", "name a file next to the folder"
        raise UsageProblem(what, where=str(file), found=f"a file in {folder}", next_step=step)
    refuse_targets([file])
    if os.path.exists(file):
        Index(file, write=False).close()


def write_release(folder: str | Path, released: Released, index: str | Path | None = None) -> list[Problem]:
    """Write the folder, and put it into the index of versions if there is one; remarks on the index are given back.

    Where the folder cannot be written the index stays as it was.  Raises what ``write_folder`` raises, UsageProblem
    and OutputError for the index.
    """
    folder, index = FilePath(folder), FilePath(index) if index is not None else None
    files = {name: [data] for name, data in released.files.items()}
    if index is None:
        write_folder(folder, files)
        return []
    is_new = not os.path.exists(index)
    opened = Index(index)
    try:
        remarks = put_release(opened, folder, released)
        write_folder(folder, files)
    except BaseException:
        opened.abandon()
        if is_new:
            with suppress(FileNotFoundError):
                os.unlink(index)
        raise
    opened.close()
    return remarks


def put_release(index: Index, folder: FilePath, released: Released) -> list[Problem]:
    """Put what was released as ``folder`` into the index; a remark if its version is there with other contents."""
    contents = read_contents(released.files[CONTENTS], CONTENTS)
    inspection = released.check.inspection
    path = os.path.abspath(folder / contents.images[0].file)
    found = result_of_check(path, released.check)
    result = replace(
        found, product=contents.product, version=contents.version, layout_digest=contents.layout_sha256
    )
    digests = [hashlib.sha256(released.files[each.file]).hexdigest() for each in contents.images]
    others = index.put_release(result, digests, indexed_blocks(inspection))
    what = "the index has another image of this version"
    step = "give each image that is released a version of its own"
    return [
        Problem(what, where=each, found=f"{result.product} {result.version}", next_step=step)
        for each in others
    ]


def images_with(index: Index, file: FilePath, at: int | None) -> Iterator[ImageResult]:
    """The indexed images that have most of the blocks of ``file``: an image, a half of one, a dump of some memory.

    Blocks are compared wherever they are; ``at`` is where a raw binary goes, so that blocks begin where those of the
    device do.  Raises what reading an image raises, and UsageProblem for an index of audits alone.
    """
    if not (sizes := index.block_sizes()):
        step = "gemel release --index FILE keeps them, and gemel audit --index FILE --blocks"
        raise UsageProblem(
            "the index knows no blocks of images", where=f"--find image={file}", next_step=step
        )
    has_addresses = format_of(file.name).has_addresses
    image = read_image(file, at=at if has_addresses else at or 0).data
    # What leaves erased bytes out may begin anywhere in a block; of a raw binary a block that is cut is not compared.
    first = align_down if has_addresses else align_up
    best: dict[str, tuple[int, int]] = {}
    for size in sizes:
        digests = []
        for held in image.spans():
            for start in range(first(held.start, size), held.end, size):
                data = image.read(Span(start, size), ERASED[0])
                if data.strip(ERASED):
                    digests.append(hashlib.sha256(data).hexdigest())
        counts = Counter(content for digest in digests for content in index.contents_with(digest))
        for content, count in counts.items():
            best[content] = max(best.get(content, (0, 1)), (count, len(digests)))
    most = max((count for count, _ in best.values()), default=0)
    for content, (count, total) in sorted(best.items()):
        if count == most:
            for result in index.of_content(content):
                yield replace(result, blocks_found=f"{count:,} of {total:,} blocks")
