"""What compilers and linkers make of files, kept from one run of the tests to the next, and for all its processes.

A name stands for everything that a result depends on: the files, the commands, and the tools with their libraries.
``pytest --cache-clear`` removes what is kept.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

GCC = "arm-none-eabi-gcc"
TOOLS = (
    GCC,
    *(f"arm-none-eabi-{name}" for name in ("g++", "as", "ld", "objcopy", "strip")),
    "clang",
    "ld.lld",
)
LIBRARIES = ("libgcc.a", "libc.a", "libc_nano.a", "libstdc++.a")
LIMIT = 120
"""Seconds after which a command counts as hanging."""

_folders: list[Path] = []


def keep_in(folder: Path) -> None:
    """Keep results in a folder from now on."""
    _folders[:] = [folder]


def kept(what: object, make: Callable[[], bytes]) -> bytes:
    """What ``make`` makes, or has made earlier; ``what`` shows, as text, all that it makes it of."""
    if not _folders:
        return make()
    file = _folders[0] / f"{hashlib.sha256(repr((what, _tools())).encode()).hexdigest()}.elf"
    with suppress(FileNotFoundError):
        return file.read_bytes()
    data, part = make(), file.with_suffix(f".{os.getpid()}")
    with suppress(OSError):  # a folder that is gone or cannot be written to keeps nothing
        part.write_bytes(data)
        part.replace(file)  # whole at once: other processes read here
    return data


def built(files: Mapping[str, str | bytes], *commands: Sequence[str], made: str) -> bytes:
    """The file ``made`` by commands in a folder with some files.

    Raises CalledProcessError where one of them fails.
    """

    def make() -> bytes:
        with TemporaryDirectory(prefix="gemel-built-") as work:
            for name, data in files.items():
                Path(work, name).write_bytes(data.encode() if isinstance(data, str) else data)
            for command in commands:
                subprocess.run(command, cwd=work, check=True, capture_output=True, text=True, timeout=LIMIT)
            return Path(work, made).read_bytes()

    return kept((sorted(files.items()), commands, made), make)


@cache
def _tools() -> list[tuple[str, int, int]]:
    """Where each tool and library is, its size, and when it was written."""
    paths = [shutil.which(name) for name in TOOLS]
    for name in LIBRARIES if paths[0] else ():
        command = [GCC, f"-print-file-name={name}"]
        paths.append(subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip())
    files = [Path(each).resolve() for each in paths if each and Path(each).is_file()]
    return [(str(each), each.stat().st_size, each.stat().st_mtime_ns) for each in files]
