"""The second pair of eyes of ``join`` and ``release``: written files, builds and seal read by other libraries."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.checking.rule import Rule
from gemel.files.paths import FilePath
from gemel.files.reading import blocks_of_file
from gemel.image.formats import format_of
from gemel.layout.model import Layout
from gemel.workflows.checking import CheckResult, applied_too

if TYPE_CHECKING:
    import datetime

    from gemel.image.image import Image
    from gemel.release.read_back.readers import BuildFile


def build_bytes(files: Mapping[str, FilePath], builds: Mapping[str, Build]) -> dict[str, BuildFile]:
    """The builds' files as they are, by the builds' names."""
    from gemel.release.read_back.readers import BuildFile

    return {
        name: BuildFile(builds[name].file, builds[name].kind, b"".join(blocks_of_file(path, plain=True)))
        for name, path in files.items()
    }


def read_back_of(
    layout: Layout,
    files: Mapping[str, tuple[str | None, Iterable[bytes]]],
    memories: Mapping[str, str],
    builds: Mapping[str, BuildFile],
    *,
    remedy: str = "",
) -> tuple[Rule, ...]:
    """The rules by which other libraries judge the written ``files``, ``builds`` and the seal.

    Each file comes with its form (None: by its suffix) and its blocks; ``memories`` names the memory of those files
    that hold one whole.  ``remedy`` is what to do, where the files are not our own that were just written.
    """
    from gemel.release.read_back.rules import AGAIN, WrittenFile, read_back_rules

    written = {}
    for name, (form, blocks) in files.items():
        whole = name in memories
        start = layout.memories[memories[name]].start if whole and memories[name] in layout.memories else None
        format_name = format_of(name, form).name if form else format_of(name).name
        written[name] = WrittenFile(
            b"".join(blocks), format_name, start if whole else layout.flash_start, whole
        )
    return read_back_rules(written, builds, remedy or AGAIN)


def read_back(
    result: CheckResult,
    image: Image,
    outputs: Iterable[FilePath],
    memories: Mapping[FilePath, str],
    builds: Mapping[str, BuildFile],
    *,
    form: str | None = None,
    today: datetime.date | None = None,
) -> CheckResult:
    """``result`` and what other libraries say of what ``write_images`` writes of the same image into ``outputs``."""
    from gemel.workflows.writing import encoded, output_form, whole_memory

    layout = result.inspection.layout
    files: dict[str, tuple[str | None, Iterable[bytes]]] = {
        str(path): (output_form(path, form), encoded(path, image.data, layout, image.entry, form))
        for path in outputs
    }
    files |= {str(path): ("bin", whole_memory(image.data, layout, name)) for path, name in memories.items()}
    names = {str(path): name for path, name in memories.items()}
    return applied_too(result, read_back_of(layout, files, names, builds), today)


def read_back_words(result: CheckResult) -> list[tuple[str, str]]:
    """``read back`` with what other libraries read alike, and ``not read`` with what nobody read and why."""
    found = []
    for each in result.results:
        if each.rule.name.endswith("-read-back"):
            found += [("read back", held.where) for held in each.holds]
            found += [("not read", f"{missing.where}: {missing.reason}") for missing in each.not_checked]
    return found
