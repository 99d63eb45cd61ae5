"""A received release folder as a whole: its image by its layout, and what its documents say of each other."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from gemel.errors import GemelError, ImageFormatError, Problem, UsageProblem
from gemel.files.contents import text_format
from gemel.files.output_targets import kind_of
from gemel.files.paths import FilePath
from gemel.files.reading import blocks_of_file
from gemel.image.formats import format_of
from gemel.image.image import Folder, Image, ImageFile
from gemel.inspection.inspection import Strict
from gemel.layout.reader import ReadLayout
from gemel.release.contents import CONTENTS, SUMS, ReleaseContents, is_safe_name
from gemel.release.received.folder import ReleaseFolder, listing_faults
from gemel.release.received.rules import AGAIN, folder_rules
from gemel.seals.keys.keys import PublicKey
from gemel.text.escaping import in_shell
from gemel.workflows.checking import CheckResult, check
from gemel.workflows.inputs.builds import build_files, load_builds
from gemel.workflows.inputs.images import read_image
from gemel.workflows.inputs.layouts import layout_from
from gemel.workflows.read_back import build_bytes, read_back_of
from gemel.workflows.trust import trust_of

if TYPE_CHECKING:
    import datetime
    from pathlib import Path

    from gemel.placement.placed import Version
    from gemel.policy.reader import ReadPolicy

MAX_FILES = 1024
MAX_TOTAL = 1 << 30
"""Bytes of all files of a folder together that are read at most."""


def check_release(
    path: str | Path,
    builds: Sequence[str] | Mapping[str, str | Path] = (),
    *,
    trust: Sequence[str | Path] = (),
    policy: ReadPolicy | None = None,
    version: str | Version | None = None,
    rollback: int | None = None,
    at_least: int | None = None,
    previous: str | Path | None = None,
    disassemble: bool = True,
    rehearsal: bool = False,
    strict: Strict = "",
    today: datetime.date | None = None,
) -> CheckResult:
    """Check the image of a release folder by the layout in it, all of its files, and its documents.

    ``builds`` are NAME=FILE, or files by name, of those that are given.  ``trust`` and ``policy`` are the receiver's,
    ``previous`` is the file of an older image, and ``rehearsal`` makes one; the rest is as for ``check``.
    Raises UsageProblem for what is no release folder, and what reading its layout and image raises.
    """
    import hashlib

    path = FilePath(path)
    folder = read_folder(path)
    contents = _contents(folder, path)
    try:
        read = layout_from(folder.files[contents.layout], str(path / contents.layout))
        image = _image(folder, contents, read, os.path.basename(os.path.realpath(path)))
    except GemelError as error:
        raise _as_listed(error, folder, contents, path) from error
    words = [f"{name}={file}" for name, file in builds.items()] if isinstance(builds, Mapping) else builds
    files = build_files(read, words)
    given = load_builds(read, files)
    data = build_bytes(files, given)
    memories = {each.file: each.memory for each in contents.images if each.memory}
    written = {
        each.file: (None, [folder.files[each.file]]) for each in contents.images if each.file in folder.files
    }
    digests = {name: hashlib.sha256(file.data).hexdigest() for name, file in data.items()}
    judged = {contents.layout, contents.images[0].file, image.file}
    further = [
        *folder_rules(folder, _keys(folder, contents), digests, judged),
        *read_back_of(read.layout, written, memories, data, remedy=AGAIN),
    ]
    return check(
        read,
        image,
        given,
        version=version,
        rollback=rollback,
        trusted=trust_of(read, [FilePath(each) for each in trust], policy),
        previous=read_image(previous, layout=read) if previous else None,
        min_rollback=at_least,
        disassemble=disassemble,
        rehearsal=rehearsal,
        today=today,
        strict=strict,
        further=further,
    )


def read_folder(path: FilePath) -> ReleaseFolder:
    """Every file in a folder; links are not followed.  Raises UsageProblem where it cannot be read or is too large."""
    if not os.path.isdir(path):
        what, found, step = "not a release folder", "no folder", "check the path"
        if os.path.exists(path):
            found, step = "a file", "unpack an archive first, and name the folder with its release.json"
            if path.name == CONTENTS:
                step = f"name its folder: gemel check --release {in_shell(path.parent)}"
            elif text_format(next(iter(blocks_of_file(path)), b"")):
                found, step = "an image", f"without --release: gemel check LAYOUT {in_shell(path)}"
        raise UsageProblem(
            what, where=str(path), found=found, expected="a folder of gemel release", next_step=step
        )
    files: dict[str, bytes] = {}
    strange: list[tuple[str, str]] = []
    total = 0
    for name, entry in _entries(path):
        kind = "a link" if entry.is_symlink() else kind_of(entry.stat(follow_symlinks=False).st_mode)
        if kind or not is_safe_name(name):
            strange.append((name, kind or "a file whose name no release has"))
            continue
        total += entry.stat(follow_symlinks=False).st_size
        if len(files) == MAX_FILES or total > MAX_TOTAL:
            raise UsageProblem(
                "the folder is too large for a release",
                where=str(path),
                expected=f"at most {MAX_FILES:,} files and {MAX_TOTAL:,} bytes",
                next_step="name the folder of one release",
            )
        files[name] = b"".join(blocks_of_file(FilePath(entry.path), plain=True))
    return ReleaseFolder(files, tuple(strange))


def _entries(path: FilePath) -> list[tuple[str, os.DirEntry[str]]]:
    """Everything in the folder but folders with something in them, by name with ``/``; no more than some thousands."""
    found: list[tuple[str, os.DirEntry[str]]] = []
    waiting: list[tuple[str, str, os.DirEntry[str] | None]] = [("", str(path), None)]
    try:
        while waiting and len(found) <= 4 * MAX_FILES:
            prefix, folder, itself = waiting.pop()
            entries = list(os.scandir(folder))
            if itself and not entries:
                found.append((prefix.rstrip("/"), itself))
            for entry in entries:
                if entry.is_dir(follow_symlinks=False):
                    waiting.append((f"{prefix}{entry.name}/", entry.path, entry))
                else:
                    found.append((f"{prefix}{entry.name}", entry))
    except OSError as error:
        reason = error.strerror or str(error)
        raise UsageProblem(
            "the folder cannot be read", where=str(path), found=reason, next_step="check the path"
        ) from error
    return sorted(found, key=lambda pair: pair[0])


def _contents(folder: ReleaseFolder, path: FilePath) -> ReleaseContents:
    """The list of contents, with its layout and one of its images there; raises UsageProblem."""
    step = "name the folder that gemel release made, or check an image by gemel check LAYOUT IMAGE"
    if CONTENTS not in folder.files:
        raise UsageProblem(
            "not a release folder", where=str(path), found=f"no {CONTENTS}", expected=CONTENTS, next_step=step
        )
    contents = folder.contents
    images = [each.file for each in contents.images]
    missing = [name for name in [contents.layout, *images] if name not in folder.files]
    if contents.layout in missing or set(images) <= set(missing):
        found = ", ".join(missing) or "no image"
        what = "the release lacks what a check needs"
        raise UsageProblem(
            what, where=str(path), found=found, expected="a layout and an image", next_step=step
        )
    for each in contents.images:
        format_of(each.file)
    return contents


def _as_listed(
    error: GemelError, folder: ReleaseFolder, contents: ReleaseContents, path: FilePath
) -> GemelError:
    """``error`` of the layout or the images; that they are not the files that were released, where that is why."""
    needed = {contents.layout, *(each.file for each in contents.images)}
    changed = [
        Problem(
            fault.what,
            where=str(path / fault.file),
            found=fault.found,
            expected=fault.expected,
            next_step=AGAIN,
        )
        for fault in listing_faults(folder)
        if fault.file in needed
    ]
    return type(error)(changed) if changed else error


def _image(folder: ReleaseFolder, contents: ReleaseContents, read: ReadLayout, name: str) -> Image:
    """The first image file that can be read, decoded as ``read_image`` does; ``name`` is the folder's.

    What is wrong with the others, the folder's rules say.  Raises ImageFormatError where none can be read.
    """
    import hashlib

    sums = folder.files.get(SUMS)
    whole = Folder(name, hashlib.sha256(sums).hexdigest() if sums is not None else None)
    problems: list[Problem] = []
    for each in contents.images:
        form, data = format_of(each.file), folder.files.get(each.file)
        if data is None:
            continue
        try:
            decoded = form.decode(
                [data], each.file, 0 if form.has_addresses else read.layout.flash_start or 0
            )
        except ImageFormatError as error:
            problems += error.problems
            continue
        file = ImageFile(len(data), hashlib.sha256(data).digest(), folder=whole)
        return Image(decoded.image, decoded.entry, decoded.remarks, each.file, form.has_addresses, file)
    raise ImageFormatError(problems)


def _keys(folder: ReleaseFolder, contents: ReleaseContents) -> list[PublicKey]:
    """The public keys in the folder; those that cannot be read are left out, since they verify nothing."""
    from gemel.seals.keys.files import load_public_key

    keys = []
    for each in contents.keys:
        try:
            keys.append(load_public_key(folder.files.get(each.file, b""), each.file))
        except GemelError:
            continue
    return keys
