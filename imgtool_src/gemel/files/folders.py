"""A folder of outputs written whole or not at all: next to its place under a temporary name, then renamed."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Mapping

from gemel.errors import OutputError, UsageProblem
from gemel.files.locks import OutputLocks, name_of
from gemel.files.output_targets import no_folder, real_path
from gemel.files.outputs import flush_folder, until_stopped, write_file
from gemel.files.paths import FilePath
from gemel.files.stopping import Stopping


def refuse_folder(folder: FilePath) -> None:
    """Raise UsageProblem unless a new folder can be made there: nothing of that name, or an empty folder."""
    where, real = str(folder), real_path(folder)
    if os.path.isdir(real):
        if os.path.islink(folder):
            what, step = "the output is a link to a folder", "name the folder itself"
            raise UsageProblem(what, where=where, found=real, expected="a new folder", next_step=step)
        try:
            held = sorted(entry.name for entry in os.scandir(real))
        except OSError as error:
            what, reason = "the output folder cannot be read", error.strerror or str(error)
            raise UsageProblem(
                what, where=where, found=reason, expected="a new folder", next_step="name another one"
            ) from error
        if held:
            what, found = "the output folder is not empty", f"{len(held)} entries, {held[0]} first"
            step = "give a new folder's name; what was released once is not overwritten"
            raise UsageProblem(
                what, where=where, found=found, expected="a new or an empty folder", next_step=step
            )
    elif os.path.lexists(real):
        raise UsageProblem(
            "the output is a file", where=where, expected="a new folder", next_step="give another name"
        )
    elif not os.path.isdir(os.path.dirname(real)):
        raise UsageProblem(no_folder(folder, os.path.dirname(real)))


def write_folder(folder: FilePath, files: Mapping[str, Iterable[bytes]]) -> None:
    """Write ``files``, by their names with ``/`` between folders, as the new folder ``folder``.

    Raises UsageProblem as ``refuse_folder`` does and OutputError when writing fails, both with nothing left.
    """
    refuse_folder(folder)
    real = real_path(folder)
    with Stopping() as stopping, OutputLocks([(folder, real)]):
        written = f"{name_of(real)}{os.urandom(8).hex()}.folder"
        try:
            os.mkdir(written)
            for name, blocks in files.items():
                file = FilePath(f"{written}/{name}")
                os.makedirs(file.parent, exist_ok=True)
                write_file(file, until_stopped(blocks, stopping))
            for path, _, _ in os.walk(written, topdown=False):
                flush_folder(path)
            stopping.check()
            if os.name == "nt" and os.path.isdir(real):  # there a rename replaces no folder, empty or not
                os.rmdir(real)
            os.rename(written, real)
        except OSError as error:
            reason = error.strerror or str(error)
            step = "choose a place that you may write to, with room"
            raise OutputError(
                "the folder cannot be written; nothing was", where=str(folder), found=reason, next_step=step
            ) from error
        finally:
            shutil.rmtree(written, ignore_errors=True)
        flush_folder(os.path.dirname(real))
