"""Which files an audit looks at: those that are named, those in folders, and those of a list, one at a time."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator

from gemel.errors import UsageProblem
from gemel.files.locks import PREFIX
from gemel.files.paths import FilePath
from gemel.files.reading import blocks_of_file
from gemel.image.formats import FORMATS

SUFFIXES = tuple(suffix for each in FORMATS for suffix in each.suffixes)
MAX_NAME = 1 << 16
"""Bytes of a line of a list; no system takes longer names."""

REMEMBERED = 1 << 16
"""Names that are remembered, so that one that comes again is passed over."""


def files_under(paths: Iterable[str]) -> Iterator[str]:
    """Each file of ``paths``, and of the folders among them every image by its suffix, sorted, folders first to last.

    A folder is looked into once, by whatever names it comes.  Links to folders inside a folder are not followed.
    A folder that cannot be read is given as it is, so that reading it says why.
    """
    folders: set[tuple[int, int]] = set()
    names: set[str] = set()
    for path in paths:
        if path in names:
            continue
        if len(names) >= REMEMBERED:
            names.clear()
        names.add(path)
        if os.path.isdir(path):
            yield from _images_in(path, folders)
        else:
            yield path


def _images_in(folder: str, seen: set[tuple[int, int]]) -> Iterator[str]:
    pending = [folder]
    while pending:
        current = pending.pop()
        try:
            here = os.stat(current)
            if (here.st_dev, here.st_ino) in seen:
                continue
            seen.add((here.st_dev, here.st_ino))
            with os.scandir(current) as entries:
                found = sorted(entries, key=lambda each: each.name)
        except (OSError, ValueError):
            yield current
            continue
        yield from [os.path.normpath(each.path) for each in found if _is_image(each)]
        pending += reversed([each.path for each in found if each.is_dir(follow_symlinks=False)])


def _is_image(entry: os.DirEntry[str]) -> bool:
    # os.path.isdir has an answer where ``entry.is_dir`` raises: for a link that leads to itself.
    name = entry.name
    return name.lower().endswith(SUFFIXES) and not name.startswith(PREFIX) and not os.path.isdir(entry.path)


def listed(file: FilePath) -> Iterator[str]:
    """The names in a list, one a line, or separated by zero bytes; ``-`` is stdin.  Raises UsageProblem."""
    rest, end = b"", b""
    for block in blocks_of_file(file):
        rest += block
        end = end or (b"\0" if b"\0" in rest else b"\n")
        *whole, rest = rest.split(end)
        yield from filter(None, map(_decoded, whole))
        if len(rest) >= MAX_NAME:
            found = f"{MAX_NAME:,} bytes or more without an end"
            what = "the list has a line that is no file's name"
            raise UsageProblem(what, where=str(file), found=found, expected="a path")
    if last := _decoded(rest):
        yield last


def _decoded(name: bytes) -> str:
    return os.fsdecode(name.rstrip(b"\r"))
