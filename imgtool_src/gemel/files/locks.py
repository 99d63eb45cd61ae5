"""One run at a time writes an output: a lock file next to it, and what killed runs left there is cleaned up.

The lock's name and those of an output's temporary files begin with the same digest of its path, so anyone who
holds the lock knows whose leftovers they are.  The system frees the lock of a process that ends, however it
ends; where it has no such locks (``fcntl``) there are none, and nothing is cleaned up.
"""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Iterable
from contextlib import ExitStack, suppress
from types import TracebackType

from gemel.errors import OutputError, Problem
from gemel.files.paths import FilePath

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

PREFIX = ".gemel-"
"""What the names of locks and temporary files begin with; short, so that any target's name has room."""

WITHOUT_A_LOCK = (errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOENT, errno.ENOTDIR, errno.ELOOP)
"""Why a lock may be missing where no file has its name: the output says better what is wrong with its folder."""


def name_of(real: str) -> str:
    """The path that the names of an output's lock and temporary files begin with."""
    digest = hashlib.sha256(os.fsencode(os.path.basename(real))).hexdigest()[:12]
    return os.path.join(os.path.dirname(real), f"{PREFIX}{digest}-")


class OutputLocks:
    """Holds the locks of all outputs of one command; a context manager.

    Entering raises OutputError, with every output that another run is writing.
    """

    def __init__(self, outputs: Iterable[tuple[FilePath, str]]) -> None:
        """``outputs`` are targets as they were given, each with its real path."""
        self._outputs = sorted(outputs, key=lambda pair: pair[1])
        self._held = ExitStack()

    def __enter__(self) -> OutputLocks:
        problems = []
        with ExitStack() as held:
            for target, real in self._outputs if fcntl else ():
                problems += _locked(held, target, name_of(real))
            if problems:
                raise OutputError(problems)
            self._held = held.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._held.close()


def _locked(held: ExitStack, target: FilePath, beginning: str) -> list[Problem]:
    """Take one lock, have ``held`` give it back, and clean up; the problem where another run has it."""
    name = f"{beginning}lock"
    while True:
        try:
            handle = _opened(name)
        except OSError as error:
            if error.errno in WITHOUT_A_LOCK and not os.path.lexists(name):
                return []
            return [_no_lock(target, name, error)]
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(handle)
            if error.errno not in (errno.EWOULDBLOCK, errno.EACCES):
                return []  # a file system without locks
            step = "wait until it has ended, or give the two runs outputs of their own"
            what = "another run is writing this output; no output was changed"
            return [Problem(what, where=str(target), expected="one run at a time", next_step=step)]
        if _is_still(handle, name):
            held.callback(_given_back, handle, name)
            _clean_up(beginning)
            return []
        os.close(handle)


def _opened(name: str) -> int:
    """The lock's file, made where it is not there; of another user's, reading is enough to wait for that run."""
    links = getattr(os, "O_NOFOLLOW", 0)
    try:
        return os.open(name, os.O_RDWR | os.O_CREAT | links, 0o644)
    except PermissionError:
        return os.open(name, os.O_RDONLY | links)


def _no_lock(target: FilePath, name: str, error: OSError) -> Problem:
    found = "a link" if os.path.islink(name) else error.strerror or str(error)
    return Problem(
        "the output cannot be locked; no output was changed",
        where=str(target),
        found=f"{name}: {found}",
        expected="a lock that only a run of gemel has made",
        next_step="remove it if no other run is writing there",
    )


def _is_still(handle: int, name: str) -> bool:
    """Whether the file of that name is the one that was locked: its last holder may have removed it since."""
    try:
        ours, there = os.fstat(handle), os.stat(name)
    except OSError:
        return False
    return (ours.st_dev, ours.st_ino) == (there.st_dev, there.st_ino)


def _given_back(handle: int, name: str) -> None:
    with suppress(OSError):  # somebody may have removed it by hand
        os.unlink(name)
    os.close(handle)


def _clean_up(beginning: str) -> None:
    """Remove what a killed run left under temporary names of this output."""
    folder, start = os.path.split(beginning)
    try:
        names = [entry.name for entry in os.scandir(folder or ".") if entry.name.startswith(start)]
    except OSError:
        return
    for name in names:
        if name.endswith((".new", ".old")):
            try:
                os.unlink(os.path.join(folder, name))
            except OSError:
                continue
        elif name.endswith(".folder"):
            import shutil

            shutil.rmtree(os.path.join(folder, name), ignore_errors=True)
