"""Builds read for the commands: those that are named, and those that the layout has by path."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from gemel.errors import BuildError, GemelError, Problem, UsageProblem, nearest_hint
from gemel.files.paths import FilePath
from gemel.files.reading import FileSource
from gemel.image.image import Image
from gemel.layout.model import Layout
from gemel.layout.reader import ReadLayout
from gemel.structs import replace

if TYPE_CHECKING:
    from pathlib import Path

    from gemel.builds.build import Build


OLD = "old:"
"""What stands before the name of a build of an older image."""


def load_builds(layout: ReadLayout | None, given: Mapping[str, str | Path | bytes]) -> dict[str, Build]:
    """The builds by name, each from a file or from the bytes of one.

    A raw binary goes to the start of its build's area; without a layout (None) it is refused.  Raises one
    BuildError with the problems of all of them, UsageProblem for a name that the layout does not have.  A
    build's ``file`` is its file's name alone, since it enters reports, which hold no paths; the problems
    name the build and the file as it was given.
    """
    return _load(layout, given)


def load_names(layout: ReadLayout | None, given: Mapping[str, str | Path]) -> dict[str, Build]:
    """Builds as ``load_builds`` gives them, for their names: files of debug information alone will do."""
    return _load(layout, given, names_only=True)


def _load(
    layout: ReadLayout | None, given: Mapping[str, str | Path | bytes], *, names_only: bool = False
) -> dict[str, Build]:
    if not given:
        return {}
    from gemel.builds.reader import read_build
    from gemel.builds.source import BytesSource

    unknown = [] if layout is None else [unknown_build(layout.layout, name) for name in given]
    if problems := [each for each in unknown if each]:
        raise UsageProblem(problems)
    builds: dict[str, Build] = {}
    for name, file in given.items():
        path = FilePath(f"{name} (bytes)") if isinstance(file, bytes) else FilePath(file)
        start = None
        if layout is not None:
            start = layout.layout.span_of(layout.layout.builds[name].stored_in).start
        try:
            source = BytesSource(file) if isinstance(file, bytes) else FileSource(path)
            build = read_build(source, name=name, file=path.name, raw_start=start, names_only=names_only)
            builds[name] = build if isinstance(file, bytes) else _with_files_beside(build, path)
        except GemelError as error:
            problems.extend(of_build(problem, name, path) for problem in error.problems)
    if problems:
        raise BuildError(problems)
    return builds


def _with_files_beside(build: Build, path: FilePath) -> Build:
    """A build with what files next to it hold: split debug information, or what ``gemel split`` wrote."""
    if build.debug is not None:
        from gemel.files.inside import files_beside

        build.debug.beside = files_beside(path)
    if build.kind == "elf":
        return build
    from gemel.builds.part_notes import MAX_BYTES, SUFFIX, with_part_notes

    beside = path.with_suffix(SUFFIX)
    if not os.path.isfile(beside):
        return build
    source = FileSource(beside)
    return with_part_notes(build, source.read(0, min(source.size, MAX_BYTES + 1)), beside.name)


def unknown_build(layout: Layout, name: str) -> Problem | None:
    """What is wrong with a name that no build of the layout has."""
    if name in layout.builds:
        return None
    return Problem(
        "the layout has no such build",
        found=name,
        expected=f"one of {', '.join(layout.builds)}",
        next_step="builds of an older image (old:) are for gemel compare, and for gemel release with --previous"
        if name.startswith("old:")
        else nearest_hint(name, layout.builds),
    )


def of_build(problem: Problem, name: str, path: FilePath) -> Problem:
    """A build's problem, its ``where`` beginning with the build's name and the file as it was given."""
    where = problem.where
    known = (str(path), path.name)
    rest = next((where[len(each) :] for each in known if _begins_with_name(where, each)), None)
    if rest is None:
        rest = f", {where}" if where else ""
    line = re.match(r":\d+", rest)
    in_file = line[0] if line else ""
    return replace(problem, where=f"build {name} ({path}{in_file}){rest[len(in_file) :]}")


def _begins_with_name(where: str, file: str) -> bool:
    return where == file or where.startswith((f"{file}:", f"{file},"))


def build_files(read: ReadLayout, given: Iterable[str], *, by_path: bool = False) -> dict[str, FilePath]:
    """Each build's file: given as NAME=FILE, or where ``by_path`` is set by its path in the layout.

    Raises UsageProblem for names that do not exist, and for paths that lead out of the layout's folder.
    """
    layout, folder = read.layout, FilePath(read.file).parent
    files, problems = named_files(given, lambda name: unknown_build(layout, name))
    for name, plan in layout.builds.items() if by_path else ():
        if plan.path is not None and name not in files:
            from gemel.files.inside import leads_outside

            outside = leads_outside(folder, plan.path, f"path of build {name} in {read.file}")
            problems += [outside] if outside and not read.paths_outside else []
            files[name] = folder / plan.path
    if problems:
        raise UsageProblem(problems)
    return files


def named_files(
    given: Iterable[str], fault_of: Callable[[str], Problem | None]
) -> tuple[dict[str, FilePath], list[Problem]]:
    """The files given as NAME=FILE by name, and what is wrong with others; ``fault_of`` says it of a name."""
    files: dict[str, FilePath] = {}
    problems = []
    for text in given:
        name, equals, file = text.partition("=")
        if not equals or not file:
            step = "write the build's name, '=' and its file"
            problems.append(Problem("not a build", found=text, expected="NAME=FILE", next_step=step))
        elif fault := fault_of(name):
            problems.append(fault)
        elif name in files:
            expected = f"one file for {name}"
            problems.append(
                Problem("a build is given twice", found=text, expected=expected, next_step="leave one out")
            )
        else:
            files[name] = FilePath(file)
    return files, problems


def builds_at(read: ReadLayout, given: Iterable[str]) -> tuple[dict[str, FilePath], list[Problem]]:
    """Each build's file, given or by its path in the layout, and remarks on the paths that lead nowhere.

    For commands that do without a build; raises as ``build_files`` does.
    """
    from gemel.files.inside import leads_outside

    files, folder = build_files(read, given), FilePath(read.file).parent
    missing: dict[str, str] = {}
    outside: dict[str, str] = {}
    for name, plan in read.layout.builds.items():
        if plan.path is None or name in files:
            continue
        path = folder / plan.path
        if not read.paths_outside and leads_outside(folder, plan.path, ""):
            outside[name] = plan.path
        elif os.path.exists(path):
            files[name] = path
        else:
            missing[name] = f"no {path}"
    return files, [
        *_left_out(read, missing, "a file that the layout names is missing"),
        *_left_out(read, outside, "a path leads out of the layout's folder", ", or give --paths-outside"),
    ]


def _left_out(read: ReadLayout, found: Mapping[str, str], why: str, step: str = "") -> Iterator[Problem]:
    """One remark for all builds that are left out for the same reason, each with what was found.

    Receivers have no builds: where none is there it says no more than that.
    """
    give = f"give {' '.join(f'{name}=FILE' for name in found)}{step}"
    if len(found) == len(read.layout.builds) and not step:
        yield Problem(f"without builds: {', '.join(found.values())}", next_step=give)
    elif found:
        several = len(found) > 1
        yield Problem(
            f"build{'s' if several else ''} {', '.join(found)} {'are' if several else 'is'} left out: {why}",
            where=f"path in {', '.join(f'[build.{name}]' for name in found)} of {read.file}",
            found=", ".join(found.values()),
            next_step=give,
        )


def builds_of_image(
    read: ReadLayout, image: Image, given: Iterable[str]
) -> tuple[dict[str, FilePath], dict[str, Build], list[Problem]]:
    """Files and builds as ``builds_at``, of those named by the layout only such as the image's record names too.

    For commands that read an image of any age: a build of another build id in the layout's folder is not its own.
    """
    given = list(given)
    files, remarks = builds_at(read, given)
    builds = load_builds(read, files)
    remarks += without_others(read, image, given, files, builds)
    return files, builds, remarks


def without_others(
    read: ReadLayout, image: Image, given: Iterable[str], files: dict[str, FilePath], builds: dict[str, Build]
) -> list[Problem]:
    """Remarks on the builds that are others than those of the image; such as were not ``given`` are taken out."""
    from gemel.inspection.inspection import Inspection

    remarks = []
    named = build_files(read, given)
    record = Inspection(read, image.data).record
    for entry in record.builds if record else ():
        build = builds.get(entry.name)
        if build is None or not (entry.build_id and build.build_id) or entry.build_id == build.build_id:
            continue
        what = (
            f"build {entry.name} is left out: the image was joined from another build than the layout names"
        )
        if entry.name in named:
            what = f"symbols of build {entry.name} may be wrong: the image was joined from another build"
        remarks.append(
            Problem(
                what,
                where=str(files[entry.name]),
                found=f"build id {build.build_id.hex()}",
                expected=f"{entry.build_id.hex()}, as {image.file or 'the image'} has it",
                next_step=f"give the build that it was joined from as {entry.name}=FILE",
            )
        )
        if entry.name not in named:
            del builds[entry.name], files[entry.name]
    return remarks
