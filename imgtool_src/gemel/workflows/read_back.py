"""The second pair of eyes of ``join`` and ``release``: written files, builds and seal read by other libraries."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from gemel.files.reading import blocks_of_file
from gemel.image.formats import format_of
from gemel.workflows.checking import CheckResult, applied_too

if TYPE_CHECKING:
    import datetime

    from gemel.builds.build import Build
    from gemel.image.image import Image
    from gemel.layout.model import Layout
    from gemel.release.read_back.builds import BuildFile
    from gemel.release.read_back.rules import WrittenFile


def build_bytes(files: Mapping[str, Path], builds: Mapping[str, Build]) -> dict[str, BuildFile]:
    """The builds' files as they are, by the builds' names."""
    from gemel.release.read_back.builds import BuildFile

    return {
        name: BuildFile(builds[name].file, builds[name].kind, b"".join(blocks_of_file(path, plain=True)))
        for name, path in files.items()
    }


def written_files(
    layout: Layout, files: Mapping[str, bytes], memories: Mapping[str, str]
) -> dict[str, WrittenFile]:
    """Image files by name as they are to be read back; ``memories`` names the memory of those that hold one whole."""
    from gemel.release.read_back.rules import WrittenFile

    flash = [memory.start for memory in layout.memories.values() if memory.kind == "flash"]
    found = {}
    for name, data in files.items():
        start = None if format_of(name).has_addresses else min(flash, default=None)
        memory = memories.get(name)
        if memory:
            start = layout.memories[memory].start if memory in layout.memories else None
        found[name] = WrittenFile(data, start, memory is not None)
    return found


def with_read_back(
    result: CheckResult,
    files: Mapping[str, Iterable[bytes]],
    memories: Mapping[str, str],
    builds: Mapping[str, BuildFile],
    today: datetime.date | None,
) -> CheckResult:
    """``result`` and what other libraries say of the written ``files``, of ``builds`` and of the seal."""
    from gemel.release.read_back.rules import read_back_rules

    data = {name: b"".join(blocks) for name, blocks in files.items()}
    written = written_files(result.inspection.layout, data, memories)
    return applied_too(result, read_back_rules(written, builds), today)


def read_back(
    result: CheckResult,
    layout: Layout,
    image: Image,
    outputs: Iterable[Path],
    memories: Mapping[Path, str],
    builds: Mapping[str, BuildFile],
    today: datetime.date | None = None,
) -> CheckResult:
    """``result`` and what other libraries say of what ``write_images`` writes of the same image into ``outputs``."""
    from gemel.workflows.writing import encoded, whole_memory

    files = {str(path): encoded(path, image.data, layout, image.entry) for path in outputs}
    files |= {str(path): whole_memory(image.data, layout, name) for path, name in memories.items()}
    whole = {str(path): name for path, name in memories.items()}
    return with_read_back(result, files, whole, builds, today)


def read_back_lines(result: CheckResult) -> list[str]:
    """A line for each file, build and signer that other libraries read alike, and for those that nobody read."""
    lines = []
    for each in result.results:
        if each.rule.name.endswith("-read-back"):
            lines += [f"  read back: {held.where}" for held in each.holds]
            lines += [f"  not read back: {missing.where}: {missing.reason}" for missing in each.not_checked]
    return lines
