"""``gemel draft``."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

from gemel.cli import options
from gemel.cli.declared import FILE, INPUT, INPUTS, argument, option, sub_command
from gemel.cli.echo import echo
from gemel.cli.options import ADDRESS
from gemel.cli.positions import is_elf, named
from gemel.cli.printing import (
    print_diagnostic,
    print_problems,
    print_remarks,
    prose_width,
    wrapped,
    written_words,
)
from gemel.errors import GemelError, Problem, UsageProblem
from gemel.files.paths import FilePath
from gemel.structs import Struct
from gemel.text.escaping import in_shell

if TYPE_CHECKING:
    from gemel.workflows.drafting import Tried


class DraftArguments(Struct, kw_only=True):
    """The words and options of ``gemel draft``."""

    given: tuple[str, ...] = argument(
        metavar="NAME=BUILD... [IMAGE]", kind=INPUTS, several=True, required=True
    )
    output: FilePath | None = option(
        "-o",
        "--output",
        metavar="LAYOUT",
        kind=FILE,
        help="Write the result here, not to stdout; a new file, unless --force is given.",
    )
    force: bool = option("--force", is_flag=True, help="Overwrite the file that -o names.")
    maps: tuple[str, ...] = option(
        "--map",
        kind=INPUTS,
        metavar="[NAME=]FILE",
        multiple=True,
        help="Link map of a build (without NAME: of all), whose memory table states the regions.",
    )
    at: int | None = option("--at", kind=ADDRESS, help="Where a raw binary goes: an image, not a build.")
    as_form: str | None = options.as_form
    svd: FilePath | None = option(
        "--svd",
        kind=INPUT,
        help="CMSIS-SVD file of the device: its registers' reset values and names, for rehearsals.",
    )


@sub_command(
    "draft",
    DraftArguments,
    works_long=True,
    exits="0 all holds; 1 the draft does not join, or a rule is broken",
)
def command(asked: DraftArguments) -> int:
    """Draft a first layout from the builds, from an image with its record, or from both.

    Memories, areas and cores are guessed from segments, symbols, vector tables and build attributes; next to
    every guess is what it was guessed from, and what no build shows is a question in a comment. NAME
    becomes the name of a build and of the core that runs it; a build that calls the secure gateways of
    another one runs on its core. An image gives the builds that its record lists, and their places; a build
    that is given too counts instead of its bytes there.

    Sizes of memories come from symbols such as __flash_start with __flash_size, or from link maps: GNU ld
    writes its memory table into the map; with --print-memory-usage it prints one, as newer versions of lld do.

    The draft is joined and checked at once, and the result is on stderr. It is always written. No file is
    overwritten without --force.

    \b
    Example:
      gemel draft station=station.elf sampler=sampler.elf
    """
    from gemel.files.outputs import write_all
    from gemel.workflows.drafting import draft_of_files, evidence, tried
    from gemel.workflows.joining import stripped

    files, image = _files([text for text in asked.given if "=" in text]), _image(asked.given)
    if asked.output is not None:
        _refuse_existing(
            asked.output, [*files.values(), *(each for each in (image, asked.svd) if each)], asked.force
        )
    recorded, builds = evidence(files, image, asked.at, asked.as_form)
    for build in builds.values():
        print_remarks([*build.remarks, *stripped(build)])
    folder = asked.output.parent if asked.output is not None else FilePath("")
    data = draft_of_files(builds, recorded, maps=asked.maps, svd=asked.svd, files=files, folder=folder)
    holds, verdict = _say(tried(data, "draft" if asked.output is None else asked.output.name, builds))
    if asked.output is None:
        echo(data, nl=False)
    else:
        write_all({asked.output: [data]})
        print_diagnostic(written_words([asked.output]))
    questions = data.count(b"ask:") - data.count(b'"ask:"')
    answer = (
        f"answer the draft's {questions} question{'' if questions == 1 else 's'} (ask:), then "
        if questions
        else ""
    )
    step = f"next: {answer}run: gemel check {in_shell(asked.output or 'LAYOUT')}"
    print_diagnostic(
        "\n".join([*wrapped(step, sys.stderr, indent=2), *wrapped(verdict, sys.stderr, indent=2)])
    )
    return 0 if holds else 1


def _image(given: tuple[str, ...]) -> FilePath | None:
    """The one argument without a name; raises UsageProblem for more of them."""
    bare = [text for text in given if "=" not in text]
    if len(bare) > 1 or any(map(is_elf, bare)):
        hint = f"name the builds: {' '.join(named(text) for text in bare[:4])}"
        found, expected = ", ".join(bare[:4]), "NAME=FILE, and at most one image"
        raise UsageProblem("not a build", found=found, expected=expected, next_step=hint)
    return FilePath(bare[0]) if bare else None


def _files(given: list[str]) -> dict[str, FilePath]:
    """Each build's file by name; raises UsageProblem for names that no layout can have, or given twice."""
    from gemel.workflows.inputs.builds import named_files

    files, problems = named_files(given, _name_fault)
    if problems:
        raise UsageProblem(problems)
    return files


def _name_fault(name: str) -> Problem | None:
    import re

    from gemel.layout.tables import NAME_PATTERN

    if re.fullmatch(NAME_PATTERN, name):
        return None
    expected = "1 to 23 letters, digits, '-' or '_', a letter or digit first"
    return Problem("not a name for a build", found=name, expected=expected, next_step="choose another name")


def _refuse_existing(output: FilePath, inputs: list[FilePath], force: bool) -> None:
    from gemel.files.output_targets import refuse_targets

    refuse_targets([output], inputs)
    if os.path.lexists(output) and not force:
        hint = "give another name, or overwrite the file with --force"
        what, expected = "a draft does not overwrite a file", "a name that is free"
        raise UsageProblem(what, where=str(output), expected=expected, next_step=hint)


def _say(tried: Tried) -> tuple[bool, str]:
    """Say on stderr what joining and checking with the draft showed; whether all holds, and the verdict."""
    from gemel.checking.reports.as_text import body_of, verdict

    result = tried.result
    if isinstance(result, GemelError):
        echo("the draft does not join as it stands:", err=True)
        print_problems(result)
        return False, "FAIL: the draft does not join as it stands."
    if not result.passes:
        echo("the builds join by the draft, but the image is not sound:", err=True)
    elif any(each.findings for each in result.results):
        echo("the builds join by the draft; the check of the image has findings:", err=True)
    else:
        echo("the draft joins as it stands; the check of the image says:", err=True)
    echo("\n".join(body_of(result, width=prose_width(sys.stderr), all_by="gemel check --all")), err=True)
    if tried.leaves_folder:
        words = "its builds are not in its folder: join it with --paths-outside, or give them as NAME=FILE"
        echo("\n".join(wrapped(words, sys.stderr, indent=2)), err=True)
    return result.passes, verdict(result)
