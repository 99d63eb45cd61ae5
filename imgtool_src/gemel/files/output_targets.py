"""What may be an output: judged before anything is read for long, and again before anything is written.

An output is a plain file, there already or not.  A symbolic link that somebody names is followed: the file that
it names is the one that is replaced.  What cannot appear whole or not at all (a device, a pipe, a socket, a folder)
is refused, and so is a file that somebody has write-protected, although renaming over it would work.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Collection, Iterable, Sequence

from gemel.errors import Problem, UsageProblem
from gemel.files.paths import FilePath
from gemel.text.escaping import in_shell

KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
)
WRITE_BITS = stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH


def refuse_targets(
    targets: Sequence[FilePath], inputs: Iterable[FilePath] = (), unnamed: Collection[FilePath] = ()
) -> None:
    """Raise UsageProblem, with all that is wrong, unless every target may be written.

    ``unnamed`` are targets, too, whose names nobody gave: there a link, which may have come with the folder,
    would choose the file.

    Wrong are two targets that are one file (or would be where names are compared without case), a
    target that is one of ``inputs``, no folder to put it in, and anything that is not a plain file.
    """
    targets = [*targets, *unnamed]
    problems = [_link(target) for target in unnamed if os.path.islink(target)]
    problems += [problem for target in targets for problem in _own_problems(target)]
    problems += _doubled(targets)
    problems += _inputs_hit(targets, list(inputs))
    if problems:
        raise UsageProblem(problems)


def kind_of(mode: int) -> str:
    """What a file of this ``st_mode`` is in words; empty for a plain file."""
    found = [words for holds, words in KINDS if holds(mode)]
    return found[0] if found else "" if stat.S_ISREG(mode) else "something other than a file"


def real_path(path: FilePath) -> str:
    """The path with every symbolic link followed; the last part need not be there."""
    return os.path.realpath(path)


def _own_problems(target: FilePath) -> list[Problem]:
    """What is wrong with one target whatever the others are."""
    where = str(target)
    if where == "-":
        return [no_stdout(target)]
    try:
        real = real_path(target)
        if not os.path.isdir(os.path.dirname(real)):
            return [no_folder(target, os.path.dirname(real))]
        mode = os.stat(real).st_mode
    except FileNotFoundError:
        return []
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        return [
            Problem(
                "the output's name cannot be used",
                where=where,
                found=reason,
                expected="the name of a file",
                next_step="give another name",
            )
        ]
    if kind := kind_of(mode):
        hint = "write a file and copy it there" if kind != "a folder" else "add a file's name"
        return [
            Problem(
                f"the output is {kind}",
                where=where,
                found=kind,
                expected="a file, there already or not",
                next_step=hint,
            )
        ]
    if not mode & WRITE_BITS or not os.access(real, os.W_OK):
        hint = "remove the protection, or give the output another name"
        return [
            Problem(
                "the output is a write-protected file",
                where=where,
                expected="a file that may change",
                next_step=hint,
            )
        ]
    return []


def no_stdout(target: FilePath) -> Problem:
    """That ``-``, standard output, is no output of a command that writes files."""
    return Problem(
        "standard output does not take this output",
        where=str(target),
        expected="the name of a file",
        next_step="what a command can print it prints where no output is named; images go there with --as",
    )


def _link(target: FilePath) -> Problem:
    return Problem(
        "the output is a link",
        where=str(target),
        found=f"a link to {os.path.realpath(target)}",
        expected="a file, there already or not: no argument names this output",
        next_step="remove the link, or choose another folder",
    )


def no_folder(target: FilePath, folder: str) -> Problem:
    """That ``folder``, where an output is to go, is not there, and what makes it; or which file is in its place."""
    given = os.path.dirname(target)
    words = in_shell(given if os.path.realpath(given) == folder else folder)
    found, step = f"{folder}: no such folder", f"make it first: mkdir -p {words}"
    there = folder
    while not os.path.lexists(there) and os.path.dirname(there) != there:
        there = os.path.dirname(there)
    if os.path.lexists(there) and not os.path.isdir(there):
        found, step = f"{there}: a file in its place", "name another folder"
    return Problem(
        "the output's folder is not there",
        where=str(target),
        found=found,
        expected="a folder",
        next_step=step,
    )


def _doubled(targets: Sequence[FilePath]) -> list[Problem]:
    """Targets that are one file; names that differ only in case or composition count as one."""
    first: dict[tuple[str, str], FilePath] = {}
    problems = []
    for target in targets:
        key = _name_key(target)
        other = first.setdefault(key, target) if key else target
        if other is not target:
            what = "two outputs are one file"
            same = os.path.normpath(other) == os.path.normpath(target)
            expected = "two names" if same else "names that differ in more than upper and lower case"
            problems.append(
                Problem(
                    what,
                    where=str(target),
                    found=f"{other} and {target}",
                    expected=expected,
                    next_step="give one of them another name",
                )
            )
    return problems


def _name_key(path: FilePath) -> tuple[str, str] | None:
    try:
        folder, name = os.path.split(real_path(path))
    except (OSError, ValueError):
        return None
    if not name.isascii():
        import unicodedata

        name = unicodedata.normalize("NFC", name)
    return folder, name.casefold()


def _inputs_hit(targets: Sequence[FilePath], inputs: Sequence[FilePath]) -> list[Problem]:
    """Targets that are one of the inputs, under whatever name."""
    return [
        Problem(
            "an output is an input of the same command",
            where=str(target),
            found=str(source),
            expected="a file of its own",
            next_step="give the output another name",
        )
        for target in targets
        for source in inputs
        if _same_file(target, source)
    ]


def _same_file(left: FilePath, right: FilePath) -> bool:
    try:
        return os.path.samefile(left, right)
    except (OSError, ValueError):  # one of them is not there, or cannot be
        return False
