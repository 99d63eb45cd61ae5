"""Writing files that must not be there yet, such as keys: all of them or none, none overwritten.

Each is written under a temporary name next to its place, with the mode that it is to have from the start,
and flushed; then it gets its name, which fails where a file has that name.  Where the file system knows no
hard links (a stick with FAT), it is written in its place, and removed again if that fails.  What a killed
run left under a temporary name, the next run that makes the same file removes.
"""

from __future__ import annotations

import os
from collections.abc import Sequence

from gemel.errors import OutputError, Problem, UsageProblem
from gemel.files.locks import OutputLocks, name_of
from gemel.files.output_targets import no_folder, no_stdout, real_path
from gemel.files.outputs import EVERYBODY, write_file
from gemel.files.paths import FilePath
from gemel.files.stopping import Stopping
from gemel.structs import Struct


class NewFile(Struct, repr=False):
    """A file to be made."""

    path: FilePath
    data: bytes
    mode: int = EVERYBODY


def refuse_existing(paths: Sequence[FilePath]) -> None:
    """Raise UsageProblem for places that hold something already or are in no folder."""
    problems = [problem for path in paths if (problem := _own_problem(path))]
    if len({os.path.realpath(path) for path in paths}) < len(paths):
        problems.append(
            Problem(
                "two new files have one name",
                found=" and ".join(str(path) for path in paths),
                expected="a name of its own for each",
                next_step="give one another name",
            )
        )
    if problems:
        raise UsageProblem(problems)


def write_new(files: Sequence[NewFile]) -> None:
    """Make all ``files``; raises UsageProblem as ``refuse_existing``, OutputError with none of them made."""
    refuse_existing([file.path for file in files])
    made: list[FilePath] = []
    locks = OutputLocks((file.path, real_path(file.path)) for file in files)
    with Stopping() as stopping, locks:
        try:
            for file in files:
                stopping.check()
                _make(file)
                made.append(file.path)
            stopping.check()
        except BaseException:
            for path in made:
                os.unlink(path)
            raise


def _make(file: NewFile) -> None:
    beside = FilePath(f"{name_of(real_path(file.path))}{os.urandom(8).hex()}.new")
    try:
        write_file(beside, [file.data], file.mode)
        try:
            os.link(beside, file.path)
        except FileExistsError:
            raise
        except OSError:  # no hard links here
            write_file(file.path, [file.data], file.mode)
    except OSError as error:
        raise OutputError(_problem(file.path, error)) from error
    finally:
        if os.path.exists(beside):
            os.unlink(beside)


def _own_problem(path: FilePath) -> Problem | None:
    if str(path) == "-":
        return no_stdout(path)
    try:
        if not os.path.isdir(path.parent):
            return no_folder(path, os.path.realpath(path.parent))
        there = os.path.lexists(path)
    except (OSError, ValueError) as error:
        return Problem(
            "the new file's name cannot be used",
            where=str(path),
            found=getattr(error, "strerror", None) or str(error),
            expected="the name of a file",
            next_step="give another name",
        )
    if there:
        step = (
            "choose another name, or remove the file first if it is no longer needed; of a key that is there"
            " gemel keys public KEY -o PUBKEY writes the public part"
        )
        what = "already exists; gemel never overwrites a key"
        return Problem(what, where=str(path), expected="a name that is free", next_step=step)
    return None


def _problem(path: FilePath, error: OSError) -> Problem:
    return Problem(
        "the new file cannot be written; nothing was made",
        where=str(path),
        found=error.strerror or str(error),
        expected="a place to write to",
        next_step="make sure that there is room and that you may write there, or name another place",
    )
