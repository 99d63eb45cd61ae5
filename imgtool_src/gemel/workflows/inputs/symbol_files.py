"""ELF files by build id, in folders laid out as debuggers look for them.

    FOLDER/.build-id/xx/yyyy.debug     xx: the first byte of the build id in hexadecimal, yyyy: the rest
    FOLDER/.build-id/xx/yyyy           the same, of a file that was not stripped
    FOLDER/xx/yyyy.debug               the same, where FOLDER is the .build-id folder itself

(GDB manual, "Debugging Information in Separate Files".)
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TYPE_CHECKING

from gemel.errors import BuildError, Problem, UsageProblem
from gemel.files.paths import FilePath
from gemel.image.image import Image
from gemel.layout.model import Layout
from gemel.layout.reader import ReadLayout
from gemel.structs import replace
from gemel.workflows.inputs.builds import load_names

if TYPE_CHECKING:
    from gemel.builds.build import Build

MIN_DIGITS = 4
SUFFIX = ".debug"


def refuse_symbols(folders: Sequence[FilePath], build_ids: Sequence[str], has_image: bool) -> None:
    """Raise UsageProblem for build ids without a folder, and for a folder without build ids."""
    if build_ids and not folders:
        what, step = "a build id needs a folder to look in", "give --symbols FOLDER too"
        raise UsageProblem(what, where="build id", found=build_ids[0], next_step=step)
    if folders and not build_ids and not has_image:
        what, step = (
            "--symbols without a build id or an image",
            "give --build-id ID, --version with --index, or --image IMAGE, whose record names ids",
        )
        raise UsageProblem(what, where="--symbols", found=str(folders[0]), next_step=step)


def ids_of_version(index: FilePath | None, version: str | None, layout: ReadLayout | None) -> list[str]:
    """The builds of a version that an index knows, as ``NAME=ID``; of the layout's product, if there is a layout.

    Raises UsageProblem for one without the other, for a version that the index does not know or knows with several
    build ids of one build, and what reading an index raises.
    """
    if index is None and version is None:
        return []
    if index is None or version is None:
        what, step = "a version needs an index to look in", "give --index FILE and --version X.Y.Z"
        raise UsageProblem(what, found="one without the other", next_step=step)
    from contextlib import closing

    from gemel.audit.index import Index
    from gemel.audit.terms import Term

    terms = [Term("version", version)]
    terms += [Term("product", layout.layout.product)] if layout else []
    with closing(Index(index, write=False)) as opened:
        pairs = {(each.name, each.build_id) for found in opened.find(terms) for each in found.builds}
    ids = sorted(f"{name}={build_id}" for name, build_id in pairs if build_id)
    if not ids:
        what, step = (
            "the index knows no build ids of this version",
            "gemel release --index FILE, or gemel audit --index FILE IMAGE, puts it in",
        )
        raise UsageProblem(what, where=str(index), found=version, next_step=step)
    if len({each.partition("=")[0] for each in ids}) < len(ids):
        what, step = "the index knows several builds of this version", "give --build-id, one of them"
        raise UsageProblem(what, where=str(index), found=", ".join(ids[:8]), next_step=step)
    return ids


def builds_by_id(
    texts: Sequence[str], folders: Sequence[FilePath], layout: ReadLayout | None
) -> dict[str, Build]:
    """The builds that ``texts`` request, ``[NAME=]ID`` each, from ``folders``, by name.

    Without NAME it is the build of the layout whose area the file's bytes go to; without a layout the ID itself.
    Raises UsageProblem for all that cannot be found, BuildError for files that are no builds.
    """
    problems: list[Problem] = []
    builds: dict[str, Build] = {}
    for text in texts:
        name, _, digits = text.rpartition("=")
        try:
            file, build_id = _file(digits.lower().removeprefix("0x"), folders)
            build = load_names(None, {name or build_id[:8]: file})[name or build_id[:8]]
            if build.build_id is None or build.build_id.hex() != build_id:
                found = build.build_id.hex() if build.build_id else "no build id"
                what = "the file is not of the build id that it is filed by"
                raise UsageProblem(
                    what,
                    where=str(file),
                    found=found,
                    expected=build_id,
                    next_step="file it by its own build id",
                )
            name = name or _name(layout.layout if layout else None, build)
        except (UsageProblem, BuildError) as error:
            problems += error.problems
            continue
        if layout is not None:
            build = load_names(layout, {name: file})[name]
        builds[name] = build
    if problems:
        raise UsageProblem(problems)
    return builds


def builds_of_image(
    image: Image, folders: Sequence[FilePath], layout: ReadLayout
) -> tuple[dict[str, Build], list[Problem]]:
    """The builds of an image by the build ids in its record, and why others cannot be found."""
    from gemel.record.record import sound_records

    record = next((record for _, record in sound_records(image.data)), None)
    builds: dict[str, Build] = {}
    remarks: list[Problem] = []
    if record is None:
        what, step = "the image has no sound record, which would name build ids", "give --build-id NAME=ID"
        remarks.append(Problem(what, where=image.file, next_step=step))
    for entry in record.builds if record else ():
        if not entry.build_id or entry.name not in layout.layout.builds:
            continue
        try:
            builds |= builds_by_id([f"{entry.name}={entry.build_id.hex()}"], folders, layout)
        except UsageProblem as error:
            remarks += [replace(each, what=f"build {entry.name}: {each.what}") for each in error.problems]
    return builds, remarks


def _file(digits: str, folders: Sequence[FilePath]) -> tuple[FilePath, str]:
    """The file of the build id that begins with ``digits``, and the build id; one with symbols before any other."""
    if len(digits) < MIN_DIGITS or digits.strip("0123456789abcdef"):
        expected = f"at least the first {MIN_DIGITS} hexadecimal digits"
        raise UsageProblem(
            "not a build id",
            where="--build-id",
            found=digits[:80],
            expected=expected,
            next_step="take it from gemel show or gemel check",
        )
    found: dict[str, FilePath] = {}
    looked = [root / digits[:2] for folder in folders for root in (folder / ".build-id", folder)]
    for place in looked:
        for name in sorted(_names(place), key=lambda each: (not each.endswith(SUFFIX), each)):
            build_id = digits[:2] + name.removesuffix(SUFFIX)
            if build_id.startswith(digits) and not build_id.strip("0123456789abcdef"):
                found.setdefault(build_id, place / name)
    if not found:
        what, step = (
            "no file of this build id",
            f"put it at .build-id/{digits[:2]}/{digits[2:]}{SUFFIX} there",
        )
        where = ", ".join(str(folder) for folder in folders) or "--symbols"
        raise UsageProblem(what, where=where, found="none", expected=digits, next_step=step)
    if len(found) > 1:
        what, step = "several build ids begin so", "give more digits"
        raise UsageProblem(what, where="--build-id", found=", ".join(sorted(found)[:4]), next_step=step)
    build_id, file = next(iter(found.items()))
    return file, build_id


def _names(folder: FilePath) -> list[str]:
    try:
        return os.listdir(folder)
    except OSError:
        return []


def _name(layout: Layout | None, build: Build) -> str:
    """The build of the layout whose areas a file's bytes go to; of no layout the file's own name."""
    if layout is None:
        return build.name
    fitting = [
        plan.name
        for plan in layout.builds.values()
        if any(
            layout.span_of(area).holds(segment.load_address)
            for area in (plan.stored_in, *plan.also_stored_in)
            for segment in build.segments
        )
    ]
    if len(fitting) != 1:
        what, step = "its addresses do not show which build of the layout this is", "write NAME=ID"
        found, expected = ", ".join(fitting) or "none", f"one of {', '.join(layout.builds)}"
        raise UsageProblem(
            what, where=f"build id {build.name}", found=found, expected=expected, next_step=step
        )
    return fitting[0]
