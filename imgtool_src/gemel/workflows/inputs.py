"""Reading input files for the commands: layouts, builds and images, with errors in plain words."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from gemel.errors import BuildError, GemelError, Problem, UsageProblem, all_of
from gemel.files.reading import STDIN, FileSource, HashedBlocks, beginning_of, blocks_of_file
from gemel.image.image import Image, ImageFile
from gemel.layout.kinds import nearest_hint
from gemel.layout.model import Layout
from gemel.layout.reader import MAX_BYTES, ReadLayout, read_layout
from gemel.spans import format_address
from gemel.structs import replace

if TYPE_CHECKING:
    import datetime

    from gemel.builds.build import Build
    from gemel.image.formats import Format
    from gemel.placement.placed import Version

Made = TypeVar("Made")

OLD = "old:"
"""What stands before the name of a build of an older image."""


def load_layout(path: str | Path, *, paths_outside: bool = False) -> ReadLayout:
    """The layout in a TOML file, with every check that there is; raises LayoutError or UsageProblem.

    ``paths_outside`` lets the files that it names be anywhere, not in its folder alone.
    """
    data = beginning_of(Path(path), MAX_BYTES)
    return replace(layout_from(data, str(path)), paths_outside=paths_outside)


def load_layout_and_files(
    path: Path, builds: Sequence[str], *, paths_outside: bool = False
) -> tuple[ReadLayout, dict[str, Path], list[Problem]]:
    """A layout with its builds' files and remarks, as ``load_layout`` and ``builds_at`` have them."""
    read = load_layout(path, paths_outside=paths_outside)
    return read, *builds_at(read, builds)


def with_unreadable(work: Callable[[], Made], *files: str | Path | None) -> Made:
    """What ``work`` gives; what it raises is raised with those ``files`` (or NAME=FILE) that cannot be read.

    So that a fault in a layout, which is read first, does not hide that an image or a build is not there.
    """
    try:
        return work()
    except GemelError as error:
        raise added_to(error, files) from error.__cause__


def added_to(error: GemelError, files: Iterable[str | Path | None]) -> GemelError:
    """``error`` with those of the ``files`` (paths, NAME=FILE, keys) that cannot be read and that it does not name."""
    named = {
        text
        for problem in error.problems
        for said in (problem.where, problem.found)
        for text in (said, said.rpartition(" (")[0])  # a key's problem names its option: FILE (--trust)
    }
    more = [
        problem
        for file in dict.fromkeys(files)
        if file and str(file) not in named
        for problem in _unreadable(file)
        if problem.where not in named
    ]
    return type(error)([*error.problems, *more]) if more else error


def _unreadable(file: str | Path) -> Iterator[Problem]:
    """Why a file (a path) or a build (NAME=FILE) cannot be read; nothing of a pipe, which can be read once only."""
    name, equals, text = (
        str(file).removeprefix(OLD).partition("=") if isinstance(file, str) else ("", "", str(file))
    )
    path = Path(text or name)
    if path == STDIN or name.startswith("pkcs11:"):
        return
    with suppress(OSError):  # a name that is too long
        if path.is_fifo():
            return
    try:
        beginning_of(path, 0)
    except GemelError as error:
        yield from (of_build(each, name, path) if equals else each for each in error.problems)


def layout_from(data: bytes, file: str) -> ReadLayout:
    """The layout in ``data``, with every check that there is; ``file`` is its name in messages."""
    from gemel.checking.policy.severities import severity_faults
    from gemel.checking.policy.waivers import waiver_faults
    from gemel.checksums.in_layout import checksum_faults
    from gemel.seals.demands import seal_faults

    return read_layout(data, file, [checksum_faults, seal_faults, waiver_faults, severity_faults])


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

    unknown = [] if layout is None else [_unknown_build(layout.layout, name) for name in given]
    if problems := [each for each in unknown if each]:
        raise UsageProblem(problems)
    builds: dict[str, Build] = {}
    for name, file in given.items():
        path = Path(f"{name} (bytes)") if isinstance(file, bytes) else Path(file)
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


def _with_files_beside(build: Build, path: Path) -> Build:
    """A build with what files next to it hold: split debug information, or what ``gemel split`` wrote."""
    if build.debug is not None:
        from gemel.files.inside import files_beside

        build.debug.beside = files_beside(path)
    if build.kind == "elf":
        return build
    from gemel.builds.part_notes import MAX_BYTES, SUFFIX, with_part_notes

    beside = path.with_suffix(SUFFIX)
    if not beside.is_file():
        return build
    source = FileSource(beside)
    return with_part_notes(build, source.read(0, min(source.size, MAX_BYTES + 1)), beside.name)


def _unknown_build(layout: Layout, name: str) -> Problem | None:
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


def of_build(problem: Problem, name: str, path: Path) -> Problem:
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


def build_files(read: ReadLayout, given: Iterable[str], *, by_path: bool = False) -> dict[str, Path]:
    """Each build's file: given as NAME=FILE, or where ``by_path`` is set by its path in the layout.

    Raises UsageProblem for names that do not exist, and for paths that lead out of the layout's folder.
    """
    layout, folder = read.layout, Path(read.file).parent
    files: dict[str, Path] = {}
    problems = []
    for text in given:
        name, equals, file = text.partition("=")
        if not equals or not file:
            problems.append(
                Problem(
                    "not a build",
                    found=text,
                    expected="NAME=FILE",
                    next_step="write the build's name, '=' and its file",
                )
            )
        elif unknown := _unknown_build(layout, name):
            problems.append(unknown)
        elif name in files:
            problems.append(
                Problem(
                    "a build is given twice",
                    found=text,
                    expected=f"one file for {name}",
                    next_step="leave one out",
                )
            )
        else:
            files[name] = Path(file)
    for name, plan in layout.builds.items() if by_path else ():
        if plan.path is not None and name not in files:
            from gemel.files.inside import leads_outside

            outside = leads_outside(folder, plan.path, f"path of build {name} in {read.file}")
            problems += [outside] if outside and not read.paths_outside else []
            files[name] = folder / plan.path
    if problems:
        raise UsageProblem(problems)
    return files


def builds_at(read: ReadLayout, given: Iterable[str]) -> tuple[dict[str, Path], list[Problem]]:
    """Each build's file, given or by its path in the layout, and remarks on the paths that lead nowhere.

    For commands that do without a build; raises as ``build_files`` does.
    """
    from gemel.files.inside import leads_outside

    files, folder = build_files(read, given), Path(read.file).parent
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
    """One remark for all builds that are left out for the same reason, each with what was found."""
    if found:
        several = len(found) > 1
        yield Problem(
            f"build{'s' if several else ''} {', '.join(found)} {'are' if several else 'is'} left out: {why}",
            where=f"path in {', '.join(f'[build.{name}]' for name in found)} of {read.file}",
            found=", ".join(found.values()),
            next_step=f"give {' '.join(f'{name}=FILE' for name in found)}{step}",
        )


def builds_of_image(
    read: ReadLayout, image: Image, given: Iterable[str]
) -> tuple[dict[str, Path], dict[str, Build], list[Problem]]:
    """Files and builds as ``builds_at``, of those named by the layout only such as the image's record names too.

    For commands that read an image of any age: a build of another build id in the layout's folder is not its own.
    """
    given = list(given)
    files, remarks = builds_at(read, given)
    builds = load_builds(read, files)
    remarks += without_others(read, image, given, files, builds)
    return files, builds, remarks


def without_others(
    read: ReadLayout, image: Image, given: Iterable[str], files: dict[str, Path], builds: dict[str, Build]
) -> list[Problem]:
    """Remarks on builds that are taken out of ``files`` and ``builds``: neither ``given`` nor those of the image."""
    from gemel.inspection.inspection import Inspection

    remarks = []
    named = build_files(read, given)
    record = Inspection(read, image.data).record
    for entry in record.builds if record else ():
        build = builds.get(entry.name)
        if build is None or entry.name in named or not (entry.build_id and build.build_id):
            continue
        if entry.build_id != build.build_id:
            what = f"build {entry.name} is left out: the image was joined from another build than the layout names"
            found, expected = (
                f"build id {build.build_id.hex()}",
                f"{entry.build_id.hex()}, as {image.file} has it",
            )
            step = f"give the build that it was joined from as {entry.name}=FILE"
            where = str(files.pop(entry.name))
            remarks.append(Problem(what, where=where, found=found, expected=expected, next_step=step))
            del builds[entry.name]
    return remarks


def read_image(
    path: str | Path, *, layout: ReadLayout | None = None, at: int | None = None, form: str | None = None
) -> Image:
    """Read an image file, its format by its suffix or ``form`` (``hex``, ``srec`` or ``bin``).

    A raw binary goes to address ``at``, else to the start of the layout's first flash memory.  Path ``-`` is
    standard input, of which ``form`` must say what it is.  Raises
    ImageFormatError for a malformed file, UsageProblem for one that cannot be read, and where nothing says
    where a raw binary goes.
    """
    return read_images([Path(path)], layout, at, form)[0]


def read_images(
    paths: Sequence[Path],
    layout: ReadLayout | Sequence[ReadLayout | None] | None,
    at: int | None,
    form: str | None = None,
) -> list[Image]:
    """Read images, each as ``read_image`` does, by one layout or by one each.

    Raises UsageProblem if ``at`` is given and none is raw.
    """
    from gemel.image.formats import format_of
    from gemel.workflows.not_images import refuse_no_image

    def format_at(path: Path) -> Format:
        refuse_no_image(path, form)
        try:
            return format_of(str(path), form)
        except UsageProblem as error:
            raise UsageProblem([*_unreadable(path)] or error.problems) from error

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


def _decoded(path: Path, form: Format, layout: ReadLayout | None, at: int | None) -> Image:
    start = at or 0
    if at is None and not form.has_addresses:
        start = _first_flash(layout.layout if layout else None, path)
    blocks = HashedBlocks(blocks_of_file(path))
    decoded = form.decode(blocks, str(path), start)
    for _ in blocks:  # the digest is over the whole file, whatever stands after the last record
        pass
    file = ImageFile(blocks.size, blocks.sha256, None if form.has_addresses else at)
    name = "standard input" if path == STDIN else path.name
    return Image(decoded.image, decoded.entry, decoded.remarks, name, form.has_addresses, file)


def _first_flash(layout: Layout | None, path: Path) -> int:
    if layout is None:
        hint = "give --at ADDRESS, or LAYOUT before the image"
        raise UsageProblem(
            "a raw binary does not say where it goes",
            where=str(path),
            expected="an address",
            next_step=hint,
        )
    flash = min((memory.start for memory in layout.memories.values() if memory.kind == "flash"), default=None)
    if flash is None:
        hint = "give --at ADDRESS"
        raise UsageProblem(
            "the layout has no flash for a raw binary",
            where=str(path),
            expected="an address",
            next_step=hint,
        )
    return flash


def date_of(text: str | None) -> datetime.date | None:
    """A date from the command line; raises UsageProblem unless it is YYYY-MM-DD."""
    import datetime

    if text is None:
        return None
    try:
        if re.fullmatch("[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
            return datetime.date.fromisoformat(text)
    except ValueError:
        pass
    raise UsageProblem(
        "not a date", where="--date", found=text, expected="YYYY-MM-DD", next_step="write it as 2027-06-30"
    )


def version_of(text: str | None, where: str = "--version") -> Version | None:
    """A version given at ``where``; raises UsageProblem unless it is X.Y.Z in the record's ranges."""
    from gemel.placement.placed import Version

    if text is None:
        return None
    from gemel.layout.kinds import nearest_version

    parts = text.split(".")
    limits = (0xFFFF, 0xFFFF, 0xFFFF_FFFF)
    sound = len(parts) == 3 and all(part.isascii() and part.isdigit() and len(part) <= 10 for part in parts)
    if not sound or any(int(part) > limit for part, limit in zip(parts, limits, strict=True)):
        expected = "X.Y.Z, at most 65535.65535.4294967295"
        near = nearest_version(text)
        step = f"write {near}" if near else "write three numbers, as in 1.4.2"
        raise UsageProblem("not a version", where=where, found=text, expected=expected, next_step=step)
    return Version.of(text)
