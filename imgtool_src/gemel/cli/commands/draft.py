"""``gemel draft``."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from gemel.cli.declared import argument, option, sub_command
from gemel.cli.echo import echo
from gemel.cli.parameters import FILE

if TYPE_CHECKING:
    from gemel.builds.build import Build


@sub_command("draft")
@argument("builds", metavar="NAME=BUILD...", several=True, required=True)
@option("-o", "--output", kind=FILE, help="File to write, a new one; without it the layout goes to stdout.")
def command(builds: tuple[str, ...], output: Path | None) -> int:
    """Draft a first layout from the builds.

    Memories, areas and cores are guessed from segments, symbols, vector tables and build attributes; beside
    every guess stands what it was guessed from, and what no build tells is a question in a comment. NAME
    becomes the name of a build and of the core that runs it; a build that calls the secure gateways of
    another one runs on its core.

    The draft is joined and checked at once, and what comes of that is said on stderr. It is written in any
    case; the exit code is 1 where it does not join or breaks a rule. No file is ever overwritten.

    \b
    Example:
      gemel draft station=station.elf sampler=sampler.elf
    """
    from gemel.cli.printing import print_remarks, written_words
    from gemel.draft.document import document
    from gemel.draft.drafting import draft
    from gemel.files.outputs import write_all

    files = _files(builds)
    if output is not None:
        _refuse_existing(output)
    handed = _builds(files)
    for build in handed.values():
        print_remarks(build.remarks)
    folder = output.parent if output is not None else Path()
    data = document(draft(handed), _paths(files, folder)).encode()
    holds = _said(data, "draft" if output is None else output.name, handed)
    if output is None:
        echo(data, nl=False)
    else:
        write_all({output: [data]})
        echo(written_words([output]), err=True)
    return 0 if holds else 1


def _files(given: tuple[str, ...]) -> dict[str, Path]:
    """Each build's file by name; raises UsageProblem for names that no layout can have, or given twice."""
    import re

    from gemel.errors import Problem, UsageProblem
    from gemel.layout.tables import NAME_PATTERN

    files: dict[str, Path] = {}
    problems = []
    for text in given:
        name, equals, file = text.partition("=")
        if not equals or not file:
            hint = "write a name for the build, '=' and its file"
            problems.append(Problem("not a build", found=text, expected="NAME=FILE", next_step=hint))
        elif not re.fullmatch(NAME_PATTERN, name):
            expected = "1 to 23 letters, digits, '-' or '_', a letter or digit first"
            problems.append(Problem("no name for a build", found=name, expected=expected))
        elif name in files:
            problems.append(Problem("a build is given twice", found=text, expected=f"one file for {name}"))
        else:
            files[name] = Path(file)
    if problems:
        raise UsageProblem(problems)
    return files


def _refuse_existing(output: Path) -> None:
    from gemel.errors import Problem, UsageProblem
    from gemel.files.output_targets import refuse_targets

    refuse_targets([output])
    if os.path.lexists(output):
        hint = "give the draft another name, and take from it what you want"
        expected = "a name that is free"
        raise UsageProblem(
            Problem("a draft never overwrites a file", where=str(output), expected=expected, next_step=hint)
        )


def _builds(files: Mapping[str, Path]) -> dict[str, Build]:
    """The builds, read; raises one BuildError with the problems of all of them."""
    from gemel.builds.reader import read_build
    from gemel.errors import BuildError, GemelError, Problem
    from gemel.files.reading import FileSource
    from gemel.workflows.inputs import of_build

    builds: dict[str, Build] = {}
    problems: list[Problem] = []
    for name, path in files.items():
        try:
            builds[name] = read_build(FileSource(path), name=name, file=path.name)
        except GemelError as error:
            problems.extend(of_build(problem, name, path) for problem in error.problems)
    if problems:
        raise BuildError(problems)
    return builds


def _paths(files: Mapping[str, Path], folder: Path) -> dict[str, str]:
    """The files relative to the layout's folder, with slashes; those that no layout can name are left out."""
    paths = {}
    for name, path in files.items():
        try:
            relative = os.path.relpath(path, folder)
            relative.encode()
        except ValueError:  # another drive, or a name that is no text
            continue
        if relative.isprintable():
            paths[name] = Path(relative).as_posix()
    return paths


def _said(data: bytes, file: str, builds: Mapping[str, Build]) -> bool:
    """Join and check with the draft as it stands, and say on stderr what comes of it; whether all holds."""
    from gemel.checking.reports.as_text import summary_of
    from gemel.checking.runner import check
    from gemel.cli.printing import print_problems
    from gemel.errors import GemelError
    from gemel.inspection.inspection import Inspection
    from gemel.joining.pipeline import join
    from gemel.layout.reader import read_layout
    from gemel.workflows.checking import date_of_today

    try:
        read = read_layout(data, file)
        image = join(read, builds).image
    except GemelError as error:
        echo("the draft does not join as it stands:", err=True)
        print_problems(error)
        return False
    result = check(Inspection(read, image, builds), date_of_today())
    echo("the draft joins as it stands; the check of the image says:", err=True)
    echo("\n".join(summary_of(result)), err=True)
    return result.passes
