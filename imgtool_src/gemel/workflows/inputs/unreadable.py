"""All files of a command line that cannot be read, where one of them cannot."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from typing import TypeVar

from gemel.errors import GemelError, Problem
from gemel.files.paths import FilePath
from gemel.files.reading import STDIN, beginning_of
from gemel.workflows.inputs.builds import OLD, of_build

Made = TypeVar("Made")


def with_unreadable(work: Callable[[], Made], *files: str | None) -> Made:
    """What ``work`` gives; what it raises is raised with those ``files`` (or NAME=FILE) that cannot be read.

    So that a fault in a layout, which is read first, does not hide that an image or a build is not there.
    """
    try:
        return work()
    except GemelError as error:
        raise added_to(error, files) from error.__cause__


def added_to(error: GemelError, files: Iterable[str | None]) -> GemelError:
    """``error`` with those of the ``files`` (paths, NAME=FILE, keys) that cannot be read and that it does not name."""
    named = {
        text
        for problem in error.problems
        for said in (problem.where, problem.found)
        for text in (
            said,
            said.rpartition(" (")[0],
            *said.split(),
        )  # a key's problem names its option: FILE (--trust)
    }
    more = [
        problem
        for file in dict.fromkeys(files)
        if file and file not in named
        for problem in unreadable(file)
        if problem.where not in named
    ]
    return type(error)([*error.problems, *more]) if more else error


def unreadable(file: str) -> Iterator[Problem]:
    """Why a file (a `FilePath`) or a build (NAME=FILE) cannot be read; nothing of a pipe, which is read once."""
    whole = isinstance(file, FilePath)
    name, equals, text = ("", "", file) if whole else file.removeprefix(OLD).partition("=")
    path = FilePath(text or name)
    if path == STDIN or name.startswith("pkcs11:"):
        return
    with suppress(OSError, ValueError):  # a name that is too long
        if stat.S_ISFIFO(os.stat(path).st_mode):
            return
    try:
        beginning_of(path, 0)
    except GemelError as error:
        yield from (of_build(each, name, path) if equals else each for each in error.problems)
