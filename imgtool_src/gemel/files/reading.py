"""Files read: builds in parts, everything else in blocks; what is no file, or never ends, is refused."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator
from functools import cache
from typing import BinaryIO

from gemel.errors import BuildError, Problem, UsageProblem
from gemel.files.output_targets import kind_of
from gemel.files.paths import FilePath
from gemel.text.escaping import in_shell

BLOCK = 1 << 18

MAX_NAMES = 4_096
"""Names in a folder among which one like a missing file's is looked for."""

STDIN = FilePath("-")
"""What stands for standard input in place of a file."""

MAX_IMAGE_BYTES = 1 << 29
"""Largest image file that is read, 512 MiB (180 MiB of flash as Intel HEX): a pipe may never end."""


class FileSource:
    """A build's file, read in parts; the file is opened for each part, so none stays open."""

    def __init__(self, path: FilePath) -> None:
        """Take the size now; raises UsageProblem when it is no plain file or cannot be opened."""
        self._path = path
        with _opened(path, plain=True) as file:
            self._size = file.seek(0, os.SEEK_END)

    @property
    def size(self) -> int:
        """Bytes of the file when it was first opened."""
        return self._size

    def read(self, offset: int, size: int) -> bytes:
        """Exactly ``size`` bytes from ``offset`` on; raises BuildError when they are not there."""
        try:
            with open(self._path, "rb") as file:
                file.seek(offset)
                data = file.read(size)
        except OSError as error:
            raise BuildError(_cannot_read(self._path, error)) from error
        if len(data) != size:
            raise BuildError(
                "the file got shorter while it was read",
                where=str(self._path),
                found=f"{len(data):,} bytes from offset {offset:,}",
                expected=f"{size:,} bytes",
                next_step="run the command again when nothing writes the file any more",
            )
        return data


def blocks_of_file(path: FilePath, *, plain: bool = False) -> Iterator[bytes]:
    """The bytes of a file, or unless it must be ``plain`` of a pipe that is open already, in blocks.

    Raises UsageProblem when it cannot be read or never ends.
    """
    size = 0
    with _opened(path, plain=plain) as file:
        while block := _next_block(file, path):
            size += len(block)
            if size > MAX_IMAGE_BYTES:
                found, expected = f"more than {MAX_IMAGE_BYTES:,} bytes", "an image of a microcontroller"
                raise UsageProblem("the file is too large", where=str(path), found=found, expected=expected)
            yield block


def beginning_of(path: FilePath, most: int, *, plain: bool = False) -> bytes:
    """The bytes of a file; of one with more than ``most`` some more than that, so that its reader refuses it.

    Raises as ``blocks_of_file``.
    """
    data = bytearray()
    for block in blocks_of_file(path, plain=plain):
        data += block
        if len(data) > most:
            break
    return bytes(data)


def limited(path: FilePath, most: int, what: str, *, plain: bool = False) -> bytes:
    """The bytes of a file that is ``what``; raises UsageProblem for more than ``most``, and as ``blocks_of_file``."""
    data = beginning_of(path, most, plain=plain)
    if len(data) > most:
        found, expected = f"more than {most:,} bytes", what
        raise UsageProblem("the file is too large", where=str(path), found=found, expected=expected)
    return data


class HashedBlocks:
    """Blocks that are counted and digested while they pass."""

    def __init__(self, blocks: Iterable[bytes]) -> None:
        """``blocks`` are passed on as they are."""
        import hashlib

        self._blocks, self._digest, self.size = blocks, hashlib.sha256(), 0

    def __iter__(self) -> Iterator[bytes]:
        """Each block, once."""
        for block in self._blocks:
            self.size += len(block)
            self._digest.update(block)
            yield block

    @property
    def sha256(self) -> bytes:
        """SHA-256 of what has passed."""
        return self._digest.digest()


def _next_block(file: BinaryIO, path: FilePath) -> bytes:
    try:
        return file.read(BLOCK)
    except OSError as error:
        raise UsageProblem(_cannot_read(path, error)) from error


def _opened(path: FilePath, *, plain: bool) -> BinaryIO:
    """The file, open for reading; devices and named pipes are refused, and where it must be ``plain`` all pipes."""
    if path == STDIN and not plain:
        return _standard_input()
    try:
        status = os.stat(path)
        kind = kind_of(status.st_mode) or ("a file of the system" if status.st_dev in _systems() else "")
        if not kind or (kind == "a pipe" and not plain and _is_descriptor(path)):
            return open(path, "rb")
    except (OSError, ValueError) as error:
        raise UsageProblem(_cannot_read(path, error)) from error
    expected, hint = "a file" if plain else "a file or a pipe", ""
    if kind == "a pipe":
        expected, hint = (
            "a file" if plain else "a file, or a pipe that is open already",
            "copy it into a file first",
        )
    if os.path.isfile(path / "release.json"):
        hint = f"gemel check --release {in_shell(path)} checks the whole folder"
    elif kind == "a folder":
        hint = "name the file that is meant in it"
    raise UsageProblem(
        "this cannot be read as a file", where=str(path), found=kind, expected=expected, next_step=hint
    )


def _is_descriptor(path: FilePath) -> bool:
    """Whether a pipe is one that the shell opened, as ``<(...)`` does: a named one may have nobody who writes."""
    return os.path.abspath(path).startswith(("/dev/", "/proc/"))


def _standard_input() -> BinaryIO:
    if sys.stdin is None:
        raise UsageProblem("there is no standard input", where="-", expected="a file or a pipe")
    return os.fdopen(os.dup(sys.stdin.fileno()), "rb")


@cache
def _systems() -> frozenset[int]:
    """The devices of the file systems in which the kernel shows itself: no input is there."""
    return frozenset(os.stat(folder).st_dev for folder in ("/proc", "/sys") if os.path.ismount(folder))


def _cannot_read(path: FilePath, error: OSError | ValueError) -> Problem:
    reason = getattr(error, "strerror", None) or str(error)
    step = _nearest(path) if isinstance(error, FileNotFoundError) else ""
    if isinstance(error, PermissionError):
        step = "have its owner let you read it, or copy it to where you may"
    what, expected = "the file cannot be read", "a readable file"
    return Problem(what, where=str(path), found=reason, expected=expected, next_step=step)


MIN_ALIKE, MIN_ALIKE_SUFFIX = 0.5, 0.7
"""How alike two names must be without their suffixes, which files of one kind have in common, and how alike these: a
slip of a letter is, a linker script (.ld) in place of a build (.elf) is not."""


def _nearest(path: FilePath) -> str:
    """What to do about a file that is not there: a name like it in its folder, or that there is no such folder."""
    from difflib import SequenceMatcher, get_close_matches

    def alike(one: str, other: str) -> float:
        return SequenceMatcher(None, one, other).ratio()

    try:
        names = sorted(os.listdir(path.parent))
    except OSError:
        return f"check the path: there is no folder {path.parent}"
    near = [
        name
        for name in get_close_matches(path.name, names[:MAX_NAMES], n=3)
        if alike(path.stem, name.rpartition(".")[0] or name) >= MIN_ALIKE
        and alike(path.suffix, FilePath(name).suffix) >= MIN_ALIKE_SUFFIX
    ]
    return f"did you mean {path.parent / near[0]}?" if near else "check the path"
