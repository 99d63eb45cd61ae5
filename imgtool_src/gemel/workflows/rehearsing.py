"""A rehearsal on the way of another command: asked for by option, or by the layout."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gemel.builds.build import Build
    from gemel.image.sparse import SparseBytes
    from gemel.layout.reader import ReadLayout
    from gemel.rehearsal.rehearsal import Rehearsal


def rehearsal_of(
    read: ReadLayout,
    image: SparseBytes,
    builds: Mapping[str, Build],
    files: Mapping[str, Path],
    asked_for: bool,
) -> Rehearsal | None:
    """The rehearsal of ``image`` if it is asked for or the layout requires it, else None.

    ``files`` are the builds' files, for source lines.  Raises ExtraMissing without the emulator.
    """
    plan = read.layout.rehearsal
    if not asked_for and not (plan and plan.required):
        return None
    from gemel.files.reading import FileSource
    from gemel.rehearsal.session import rehearse

    sources = {name: FileSource(path) for name, path in files.items() if builds[name].kind == "elf"}
    return rehearse(read, image, builds, sources=sources)
