"""Writing a command's output files: each whole or not at all, all of them together.

Every file is first written under a temporary name in its own folder and flushed to the disk; only
when all are there are they renamed, one right after the other.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path

from gemel.errors import OutputError, Problem


def write_all(outputs: Mapping[Path, Iterable[bytes]]) -> None:
    """Write every output; raises OutputError, with no target changed, when any cannot be written."""
    finished: dict[Path, Path] = {}
    try:
        for target, blocks in outputs.items():
            finished[target] = _write_beside(target, blocks)
        _rename(finished)
    finally:
        for temporary in finished.values():
            temporary.unlink(missing_ok=True)


def _write_beside(target: Path, blocks: Iterable[bytes]) -> Path:
    if target.is_dir():
        raise OutputError(Problem("the output is a folder", str(target), "a folder", "a file's name"))
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent)
    except OSError as error:
        raise OutputError(_problem(target, error)) from error
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            for block in blocks:
                file.write(block)
            file.flush()
            os.fsync(file.fileno())
        _take_mode(temporary, target)
    except OSError as error:
        temporary.unlink(missing_ok=True)
        raise OutputError(_problem(target, error)) from error
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    return temporary


def _take_mode(temporary: Path, target: Path) -> None:
    """The mode of the file that is replaced, or what a new file gets (mkstemp makes it private)."""
    if target.exists():
        temporary.chmod(target.stat().st_mode & 0o7777)
    elif os.name == "posix":
        mask = os.umask(0)
        os.umask(mask)
        temporary.chmod(0o666 & ~mask)


def _rename(finished: Mapping[Path, Path]) -> None:
    for target, temporary in finished.items():
        try:
            os.replace(temporary, target)
        except OSError as error:
            raise OutputError(_problem(target, error)) from error


def _problem(target: Path, error: OSError) -> Problem:
    reason = error.strerror or str(error)
    return Problem(
        "the output cannot be written; no output was changed", str(target), reason, "a writable place"
    )
