"""Addresses and symbols looked up in builds, by a layout where there is one."""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Mapping, Sequence

from gemel.builds.build import Build
from gemel.errors import Problem, UsageProblem, nearest_hint
from gemel.files.contents import ELF_START
from gemel.files.paths import FilePath
from gemel.files.reading import beginning_of
from gemel.image.image import Image
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.layout.reader import ReadLayout
from gemel.lookup.facts import BUILD_OR_IMAGE, Answer, Lookup
from gemel.text.escaping import in_shell

_HEXADECIMAL = re.compile(r"0[xX][0-9A-Fa-f_]+")
_BARE = re.compile(r"(?=.*[0-9])[0-9A-Fa-f]{8}")
_OFFSET = re.compile(r"\s*(0[xX][0-9A-Fa-f]+|[0-9]+)")


def lookup_of(
    layout: ReadLayout | None,
    builds: Mapping[str, Build],
    image: Image | None = None,
    queries: Sequence[str] = (),
) -> Lookup:
    """What answers questions about these builds, and the image's record and words where one is given.

    Without a layout each build stands for a core of its own name.  Raises UsageProblem where there is nothing to
    look anything up in: a build may be among the ``queries``.
    """
    if layout is None:
        if not builds:
            if problems := of_files(queries):
                raise UsageProblem(problems)
            raise UsageProblem("no layout and no build to look up in", next_step="give LAYOUT, or NAME=BUILD")
        return Lookup(None, builds)
    inspection = Inspection(layout, image.data if image else SparseBytes(), builds)
    return Lookup(inspection, builds)


def where(
    *queries: str | int,
    layout: ReadLayout | None = None,
    builds: Mapping[str, Build] | None = None,
    image: Image | None = None,
    cores: Sequence[str] = (),
) -> list[Answer]:
    """An answer to each query, in their order: an address (a number, 0x1000_0204, 10000204), a symbol, symbol+offset.

    ``cores`` restrict whose view of an address is given (none: all).  Raises one UsageProblem for all that cannot be
    answered.
    """
    asked = [f"{query:#x}" if isinstance(query, int) else query for query in queries]
    return answers_of(lookup_of(layout, builds or {}, image), asked, cores)


def answers_of(lookup: Lookup, queries: Sequence[str], cores: Sequence[str] = ()) -> list[Answer]:
    """What `where` gives, from a lookup that is there already."""
    answers, problems = answers_and_problems(lookup, queries, cores)
    if problems:
        raise UsageProblem(problems)
    return answers


def answers_and_problems(
    lookup: Lookup, queries: Sequence[str], cores: Sequence[str] = ()
) -> tuple[list[Answer], list[Problem]]:
    """The answers to those that can be answered, and what is wrong with the others and with ``cores``."""
    problems = unknown_cores(lookup.cores, cores)
    cores = [core for core in cores if core in lookup.cores]
    answers: list[Answer] = []
    for query in queries:
        try:
            answers.append(_answer(lookup, query, cores or lookup.cores))
        except UsageProblem as error:
            problems += of_files([query]) or error.problems
    return answers, problems


def of_files(queries: Sequence[str]) -> list[Problem]:
    """What is wrong with those of ``queries`` that are builds or logs."""
    problems = []
    for name in filter(os.path.isfile, queries):
        if beginning_of(FilePath(name), len(ELF_START)).startswith(ELF_START):
            what, expected = "this is a build, not a symbol", "NAME=BUILD, an address or a symbol"
            step = f"write {in_shell(f'{FilePath(name).stem}={name}')}, with the build's name in the layout"
        elif BUILD_OR_IMAGE.search(name):
            continue
        else:
            what = "this is a file's name, not a symbol"
            expected = "an address or a symbol; a log is read from standard input"
            step = f"gemel where LAYOUT < {in_shell(name)}"
        problems.append(Problem(what, found=name, expected=expected, next_step=step))
    return problems


def value_of_register(text: str) -> Problem | None:
    """What is wrong with NAME=VALUE, copied from a debugger, where NAME=BUILD is expected; None: VALUE is no number."""
    value = text.partition("=")[2]
    if not _HEXADECIMAL.fullmatch(value) or os.path.exists(value):
        return None
    return Problem(
        "this is a value, not a build",
        found=text,
        expected="NAME=BUILD, an address or a symbol",
        next_step=f"give the address alone, {value}; a dump of registers is read from standard input",
    )


def unknown_cores(known: Collection[str], cores: Sequence[str]) -> list[Problem]:
    """A problem for each of ``cores`` that is none of the ``known`` ones."""
    expected = f"one of {', '.join(known)}"
    return [
        Problem(
            "unknown core",
            where="--core",
            found=core,
            expected=expected,
            next_step=nearest_hint(core, known),
        )
        for core in cores
        if core not in known
    ]


def _answer(lookup: Lookup, query: str, cores: Sequence[str]) -> Answer:
    number = _number(query)
    if number is not None and not 0 <= number < 1 << 32:
        expected = "0x0000_0000 to 0xFFFF_FFFF"
        raise UsageProblem(
            "not an address", found=query[:40], expected=expected, next_step="check the number of digits"
        )
    found = lookup.symbol(query)
    if found.uses:
        return found
    if number is not None:
        return lookup.address(number, query, cores)
    name, _, rest = query.rpartition("+")
    if name and (offset := _OFFSET.fullmatch(rest)):
        moved = lookup.symbol(name.rstrip(), int(offset[1], 0) & 0xFFFF_FFFF)
        if moved.uses:
            return moved
    raise UsageProblem(lookup.unknown(query))


def _number(query: str) -> int | None:
    if _HEXADECIMAL.fullmatch(query):
        return int(query.replace("_", ""), 16)
    if _BARE.fullmatch(query):
        return int(query, 16)
    return int(query) if query.isascii() and query.isdigit() and len(query) <= 20 else None
