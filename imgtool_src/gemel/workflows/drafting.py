"""A first layout from builds, from an image with its record, or from both, and what joining with it shows."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from gemel.errors import GemelError, Problem, UsageProblem
from gemel.files.paths import FilePath
from gemel.structs import Struct

if TYPE_CHECKING:
    from pathlib import Path

    from gemel.builds.build import Build
    from gemel.checking.runner import RulesApplied
    from gemel.draft.from_image import Recorded
    from gemel.draft.regions import LinkMap
    from gemel.draft.svd import Peripheral


def draft_layout(
    builds: Mapping[str, Build | str | Path | bytes], paths: Mapping[str, str] | None = None
) -> str:
    """The text of a first layout (TOML), guessed from ``builds``, with a question for all they do not say.

    Each build is given read, as a file or as its bytes.  ``paths`` are the builds' files as the layout is to
    name them.  Raises BuildError for builds that cannot be read, UsageProblem for more than a device has cores.
    """
    from gemel.draft.document import document
    from gemel.draft.drafting import draft
    from gemel.workflows.inputs.builds import load_builds

    files = {name: build for name, build in builds.items() if isinstance(build, str | os.PathLike | bytes)}
    loaded = load_builds(None, files)
    known = {
        name: build for name, build in builds.items() if not isinstance(build, str | os.PathLike | bytes)
    }
    given = {name: loaded[name] if name in loaded else known[name] for name in builds}
    return document(draft(given), dict(paths or {}))


def evidence(
    files: Mapping[str, FilePath], image: FilePath | None, at: int | None, as_form: str | None
) -> tuple[Recorded | None, dict[str, Build]]:
    """The record of an image, and the builds: those given, and those of the image that are not.

    Raises one BuildError with the problems of all builds, and what reading an image raises.
    """
    from gemel.draft.from_image import builds_of, record_of
    from gemel.workflows.inputs.builds import load_builds
    from gemel.workflows.inputs.images import read_image

    if image is None:
        if at is not None:
            raise UsageProblem(
                "--at is for an image, and none is given", expected="an IMAGE", next_step="leave --at out"
            )
        return None, load_builds(None, files)
    decoded = read_image(image, at=at, form=as_form)
    recorded = record_of(decoded.data, decoded.file)
    return recorded, builds_of(decoded.data, recorded) | load_builds(None, files)


def draft_of_files(
    builds: Mapping[str, Build],
    recorded: Recorded | None,
    *,
    maps: Sequence[str],
    svd: FilePath | None,
    files: Mapping[str, FilePath],
    folder: FilePath,
) -> bytes:
    """The text of a first layout in ``folder`` that names the builds' ``files``.

    ``maps`` are link maps as the command line has them (``[NAME=]FILE``), ``svd`` describes the device's registers.
    Raises UsageProblem for what is neither.
    """
    from gemel.draft.document import document
    from gemel.draft.drafting import draft

    drafted = draft(builds, _link_maps(maps, builds), recorded)
    return document(drafted, _paths(files, folder), _peripherals(svd), svd.name if svd else "").encode()


def _peripherals(svd: FilePath | None) -> tuple[Peripheral, ...]:
    """What an SVD file describes; raises UsageProblem for a file that is none."""
    from gemel.draft.svd import MAX_BYTES, NotSvd, read_svd
    from gemel.files.reading import beginning_of

    if svd is None:
        return ()
    data = beginning_of(svd, MAX_BYTES)
    try:
        return read_svd(data)
    except NotSvd as error:
        what, expected = "the file is no CMSIS-SVD file", "a device description in CMSIS-SVD"
        problem = Problem(what, where=f"--svd {svd}", found=str(error), expected=expected)
        raise UsageProblem(problem) from error


def _link_maps(given: Sequence[str], builds: Mapping[str, Build]) -> dict[str, LinkMap]:
    """The memory tables of link maps by build; raises UsageProblem for unknown builds, maps without one."""
    from gemel.draft.regions import MAX_MAP_BYTES, read_link_map
    from gemel.files.reading import limited

    maps: dict[str, LinkMap] = {}
    problems = []
    for text in given:
        name, equals, file = text.rpartition("=")
        if equals and name not in builds:
            expected = f"one of {', '.join(builds)}"
            problems.append(Problem("unknown build", where="--map", found=name, expected=expected))
            continue
        data = limited(FilePath(file), MAX_MAP_BYTES, "a link map")
        maps[name] = read_link_map(data.decode("utf-8", "replace"), FilePath(file).name)
        if reason := maps[name].reason:
            expected = "the table Memory Configuration, or what --print-memory-usage prints"
            step = (
                "append what the linker prints with --print-memory-usage (GNU ld, newer lld), or leave the map out:"
                " without it sizes come from symbols such as __flash_start and __flash_size"
            )
            what = "a link map has no memory table"
            problems.append(Problem(what, where=file, found=reason, expected=expected, next_step=step))
    if problems:
        raise UsageProblem(problems)
    return maps


def _paths(files: Mapping[str, FilePath], folder: FilePath) -> dict[str, str]:
    """The files relative to the layout's folder, with slashes; those that no layout can name are left out."""
    paths = {}
    for name, path in files.items():
        try:
            relative = os.path.relpath(path, folder)
            relative.encode()
        except ValueError:  # another drive, or a name that is no text
            continue
        if relative.isprintable():
            paths[name] = relative.replace(os.sep, "/")
    return paths


class Tried(Struct):
    """What joining and checking with a draft showed: the rules applied, or why the builds do not join."""

    result: RulesApplied | GemelError
    leaves_folder: bool = False
    """Whether it names a build that is not in its own folder."""


def tried(data: bytes, file: str, builds: Mapping[str, Build]) -> Tried:
    """Join and check with the draft as it stands.

    Raises LayoutError where the draft is no layout: then the builds contradict what any device can be.
    """
    from gemel.checking.runner import check
    from gemel.inspection.inspection import Inspection
    from gemel.joining.pipeline import join
    from gemel.layout.reader import read_layout
    from gemel.workflows.checking import date_of_today

    read = read_layout(data, file)
    try:
        image = join(read, builds).image
    except GemelError as error:
        return Tried(error)
    result = check(Inspection(read, image, builds, disassemble=True), date_of_today())
    paths = [plan.path for plan in read.layout.builds.values() if plan.path]
    return Tried(result, any(path.startswith("../") or os.path.isabs(path) for path in paths))
