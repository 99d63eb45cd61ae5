"""Writing a command's output files: each whole or not at all, all of them together.

    lock       every output, so that two runs cannot leave one file of each
    write      every file under a temporary name next to its target, flushed to the disk
    keep       a second name for every file that is about to be replaced
    rename     all temporary names to the targets, one right after the other
    clean up   the second names go, the folders are flushed

When writing, keeping or a rename fails, or the process is asked to stop, the targets are what they were:
those already renamed get their old file back.  What no program can prevent is being killed outright
(or losing power) between two renames, some microseconds apart: every output is then whole, the first
ones new, the rest old, and the temporary files remain.  Their names begin with ``.gemel-``; the next run
that writes the same output removes them.

A replaced file's mode is kept; its owner, access lists and other hard links are not.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterable, Iterator, Mapping

from gemel.errors import OutputError, Problem
from gemel.files.locks import OutputLocks, name_of
from gemel.files.output_targets import real_path, refuse_targets
from gemel.files.paths import FilePath
from gemel.files.stopping import Stopping
from gemel.structs import Struct, field

HINTS = {
    errno.ENOSPC: "free some space there, or write to another disk",
    errno.EDQUOT: "free some of your space there, or write to another disk",
    errno.EFBIG: "raise the limit on file sizes, or write to another disk",
    errno.EROFS: "write to another disk",
    errno.EACCES: "choose a folder that you may write to",
    errno.EPERM: "choose a folder that you may write to",
}


EVERYBODY, OWNER_ALONE = 0o666, 0o600
"""Modes of new files, less the user's mask.  Windows has no modes: there the folder's access list decides."""


class _Output(Struct, frozen=False):
    """One output on its way: ``kept`` is the second name of the file it replaces, if there is one."""

    target: FilePath
    real: str
    written: str
    kept: str | None = None
    renamed: bool = False


class _Writing(Struct, frozen=False):
    """All outputs of one command, and every temporary name that may exist."""

    outputs: list[_Output] = field(default_factory=list)
    temporaries: list[str] = field(default_factory=list)

    def name_beside(self, real: str, suffix: str) -> str:
        """A new name in the folder of ``real``, noted down before there is a file of that name."""
        name = f"{name_of(real)}{os.urandom(8).hex()}{suffix}"
        self.temporaries.append(name)
        return name

    def clean_up(self) -> None:
        """Remove what is left under temporary names."""
        for name in self.temporaries:
            try:
                os.unlink(name)
            except OSError:  # nearly always because it was renamed; nothing better can be done otherwise
                continue


def write_all(outputs: Mapping[FilePath, Iterable[bytes]]) -> None:
    """Write every output; the blocks of each are requested once, in order.

    Raises UsageProblem for targets that cannot be outputs and OutputError when writing fails or another run
    is writing one of them, both with no target changed.  What the blocks raise is passed on, with no target
    changed either.
    """
    refuse_targets(list(outputs))
    writing = _Writing()
    locks = OutputLocks((target, real_path(target)) for target in outputs)
    with Stopping() as stopping, locks:
        try:
            for target, blocks in outputs.items():
                _write_beside(writing, target, until_stopped(blocks, stopping))
            if len(writing.outputs) > 1:
                # The last one too, though it never goes back: its rename then need not free the old file's
                # blocks, which takes 500 times as long as a rename.
                for output in writing.outputs:
                    _keep(writing, output)
            stopping.check()
            _rename_all(writing)
        finally:
            writing.clean_up()
    for folder in {os.path.dirname(output.real) for output in writing.outputs}:
        flush_folder(folder)


def write_file(path: str, blocks: Iterable[bytes], mode: int = EVERYBODY) -> None:
    """Make a file that is not there yet, with this mode less the user's mask; it is on the disk when this returns.

    Raises OSError; nothing stays of it then.
    """
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), mode)
    try:
        with os.fdopen(handle, "wb", buffering=0):
            for block in blocks:
                rest = memoryview(block)
                while rest:  # one call may take only a part of it, on a disk that is nearly full
                    rest = rest[os.write(handle, rest) :]
            os.fsync(handle)
    except BaseException:
        os.unlink(path)
        raise


def until_stopped(blocks: Iterable[bytes], stopping: Stopping) -> Iterator[bytes]:
    """``blocks``, up to a request to stop, which is then raised."""
    for block in blocks:
        stopping.check()
        yield block


def _write_beside(writing: _Writing, target: FilePath, blocks: Iterable[bytes]) -> None:
    real = real_path(target)
    written = writing.name_beside(real, ".new")
    try:
        write_file(written, blocks)
        if os.path.exists(real):
            os.chmod(written, os.stat(real).st_mode & 0o7777)
    except OSError as error:
        raise OutputError(_problem(target, error)) from error
    writing.outputs.append(_Output(target, real, written))


def _keep(writing: _Writing, output: _Output) -> None:
    """Give the file that will be replaced a second name: a hard link, or a copy where there are none."""
    if not os.path.exists(output.real):
        return
    kept = writing.name_beside(output.real, ".old")
    try:
        try:
            os.link(output.real, kept)
        except OSError:
            import shutil

            shutil.copy2(output.real, kept)
    except OSError as error:
        raise OutputError(_problem(output.target, error)) from error
    output.kept = kept


def _rename_all(writing: _Writing) -> None:
    """The step that changes targets: nothing else happens between the first rename and the last."""
    failed: tuple[_Output, OSError] | None = None
    for output in writing.outputs:
        try:
            os.replace(output.written, output.real)
        except OSError as error:
            failed = output, error
            break
        output.renamed = True
    if failed is None:
        return
    problems = [_put_back(writing, output) for output in writing.outputs if output.renamed]
    changed = [problem for problem in problems if problem]
    raise OutputError([_problem(failed[0].target, failed[1], bool(changed)), *changed]) from failed[1]


def _put_back(writing: _Writing, output: _Output) -> Problem | None:
    """The target as it was; a problem that says where the old file is when even that fails."""
    try:
        if output.kept is None:
            os.unlink(output.real)
        else:
            os.replace(output.kept, output.real)
    except OSError as error:
        reason = error.strerror or str(error)
        if output.kept is None:
            return Problem(
                "this new output could not be removed again",
                where=str(output.target),
                found=reason,
                next_step="remove it, then run the command again",
            )
        writing.temporaries.remove(output.kept)
        hint = f"the old file is {output.kept}"
        return Problem(
            "the old output could not be put back", where=str(output.target), found=reason, next_step=hint
        )
    return None


def flush_folder(folder: str) -> None:
    """Bring the folder's new entries to the disk where the system can do that (Windows cannot)."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    try:
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    except OSError:  # not readable: the outputs are there all the same
        return
    try:
        os.fsync(handle)
    except OSError:  # some network file systems cannot flush a folder
        return
    finally:
        os.close(handle)


def _problem(target: FilePath, error: OSError, changed: bool = False) -> Problem:
    outcome = "" if changed else "; no output was changed"
    return Problem(
        f"the output cannot be written{outcome}",
        where=str(target),
        found=error.strerror or str(error),
        expected="a place to write to, with room",
        next_step=HINTS.get(error.errno or 0, ""),
    )
