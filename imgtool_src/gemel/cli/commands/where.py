"""``gemel where``."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from gemel.cli.declared import DONE, InputWord, argument, option, sub_command
from gemel.cli.echo import echo
from gemel.cli.parameters import FILE, INDEX, INPUT, as_option, at_option, form_option
from gemel.errors import Problem, UsageProblem
from gemel.files.paths import FilePath

if TYPE_CHECKING:
    from gemel.builds.build import Build
    from gemel.layout.reader import ReadLayout
    from gemel.lookup.facts import Lookup


BLOCK = 1 << 16
"""Bytes that are read from stdin at most before what they say is printed."""


@sub_command("where", exits=DONE)
@argument(
    "words",
    metavar="[LAYOUT] [NAME=BUILD]... [ADDRESS|SYMBOL]...",
    several=True,
    kind=InputWord(among_others=True),
)
@option("--image", metavar="IMAGE", kind=INPUT, help="Image whose bytes and record are used too.")
@at_option
@as_option
@option(
    "--symbols",
    "folders",
    kind=FILE,
    metavar="FOLDER",
    multiple=True,
    help="Folder with ELF files by build id, .build-id/xx/yyyy.debug.",
)
@option(
    "--build-id",
    "build_ids",
    metavar="[NAME=]ID",
    multiple=True,
    help="Take the build with this build id, or its first digits, from --symbols.",
)
@option("--version", metavar="X.Y.Z", help="Take the builds of this version from --symbols, by --index.")
@option("--index", kind=INPUT, help=f"{INDEX}it has the build ids of each version.")
@option("--core", "cores", multiple=True, metavar="CORE", help="Core whose view it is; else all of them.")
@form_option("text", "json")
def command(
    words: tuple[str, ...],
    image: FilePath | None,
    at: int | None,
    as_form: str | None,
    folders: tuple[FilePath, ...],
    build_ids: tuple[str, ...],
    version: str | None,
    index: FilePath | None,
    cores: tuple[str, ...],
    form: str,
) -> int:
    """Look up addresses and symbols as each core sees them.

    An address (0x1000_0204 or 10000204) is shown with its memory, area, build, section, symbol and source line,
    and with the other addresses and cores that reach it. A symbol, or SYMBOL+OFFSET, is shown with its address
    for every core. With neither, or with -, text is read from stdin and printed with the names of its addresses
    in place: a log, a back trace, a dump of fault registers. LAYOUT ends in .toml; where it is left out,
    gemel.toml in the folder is used if it is there. Without a layout, each build is taken by itself. --symbols
    has the files of versions that were shipped: --build-id takes one, --version those of a
    version by --index, and --image those that its record names.

    \b
    Example:
      gemel where tide-gauge.toml station=station.elf sampler=sampler.elf 0x1000_8124
    """
    from gemel.cli.printing import print_remarks
    from gemel.workflows.inputs.images import read_image
    from gemel.workflows.looking_up import answers_and_problems, lookup_of

    layout, builds, queries = _sorted(words)
    read, files, given = _inputs(layout, builds)
    if image is not None and read is None:
        raise UsageProblem(
            "an image is read by a layout", where="--image", found=str(image), next_step="give LAYOUT"
        )
    loaded = read_image(image, layout=read, at=at, form=as_form) if image else None
    if loaded and read:
        from gemel.workflows.inputs.builds import without_others

        print_remarks(without_others(read, loaded, builds, files, given))
    if folders or build_ids or version or index:
        from gemel.workflows.inputs.symbol_files import (
            builds_by_id,
            builds_of_image,
            ids_of_version,
            refuse_symbols,
        )

        build_ids = (*ids_of_version(index, version, read), *build_ids)
        refuse_symbols(folders, build_ids, loaded is not None)
        if loaded and read and not build_ids:
            of_image, remarks = builds_of_image(loaded, folders, read)
            print_remarks(remarks)
            given = of_image | given
        given = given | builds_by_id(build_ids, folders, read)
    lookup = lookup_of(read, given, loaded, queries)
    if queries in ([], ["-"]):
        if form == "json":
            step = "give addresses or symbols; a text from standard input stays text"
            raise UsageProblem("nothing to answer in JSON", where="--format json", next_step=step)
        if not _annotate(lookup, cores):
            print_remarks(
                [Problem("standard input is empty", next_step="give an address or a symbol, or a text")]
            )
        return 0
    answers, problems = answers_and_problems(lookup, queries, cores)
    if form == "json" and not problems:  # one document: the answers, or what is wrong
        from gemel.lookup.facts import FORMAT, Answers
        from gemel.text.as_json import form_text

        echo(form_text(FORMAT, Answers.of(answers)).encode("ascii"), nl=False)
    elif form == "text" and answers:
        from gemel.cli.printing import terminal_width
        from gemel.lookup.as_text import text_of

        width = terminal_width(sys.stdout)
        echo("\n\n".join("\n".join(text_of(answer, width)) for answer in answers))
    if problems:
        raise UsageProblem(problems)
    return 0


def _sorted(words: Sequence[str]) -> tuple[FilePath | None, list[str], list[str]]:
    """The layout's file, the builds and the questions, from words in any order; the folder's own layout if none."""
    from gemel.cli.positions import layout_among
    from gemel.workflows.looking_up import value_of_register

    if problems := [each for word in words if "=" in word and (each := value_of_register(word))]:
        raise UsageProblem(problems)
    layout, queries = layout_among([word for word in words if "=" not in word])
    return layout, [word for word in words if "=" in word], queries


def _inputs(
    layout: FilePath | None, builds: Sequence[str]
) -> tuple[ReadLayout | None, dict[str, FilePath], dict[str, Build]]:
    from gemel.cli.printing import print_remarks
    from gemel.workflows.inputs.builds import load_names
    from gemel.workflows.inputs.layouts import load_layout_and_files

    if layout is not None:
        read, files, remarks = load_layout_and_files(layout, builds)
        print_remarks(remarks)
        return read, files, load_names(read, files)
    files = {}
    for text in builds:
        name, _, file = text.partition("=")
        files[name] = FilePath(file)
    return None, files, load_names(None, files)


def _annotate(lookup: Lookup, cores: Sequence[str]) -> bool:
    """Print stdin with its addresses named; whether it has any text."""
    from gemel.cli.printing import print_remarks
    from gemel.lookup.annotating import annotated
    from gemel.workflows.looking_up import unknown_cores

    if problems := unknown_cores(lookup.cores, cores):
        raise UsageProblem(problems)
    if sys.stdin is not None and sys.stdin.isatty():
        print_remarks(
            [Problem("text is read from the terminal", next_step="end it with Ctrl-D, or give an address")]
        )
    said: list[str] = []
    has_text = False

    def print_said() -> None:
        if said:
            echo("\n".join(said))
            said.clear()

    for line in annotated(_lines(print_said), lookup, cores or lookup.cores):
        said.append(line)
        has_text = True
    print_said()
    return has_text


def _lines(before_more: Callable[[], None]) -> Iterator[str]:
    """The lines of stdin; bytes that are no text come through as escapes, and a byte order mark says UTF-16.

    ``before_more`` is called when all that has come was given, before more is waited for.
    """
    import codecs
    import io

    if sys.stdin is None:
        return
    stream = sys.stdin.buffer
    start = stream.peek(3)[:3] if isinstance(stream, io.BufferedReader) else b""
    if start[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        yield from io.TextIOWrapper(stream, encoding="utf-16", errors="backslashreplace")
        return
    if start == codecs.BOM_UTF8:
        stream.read(len(start))
    line: list[bytes] = []
    read = getattr(stream, "read1", stream.read)
    while more := read(BLOCK):
        first, *others = more.split(b"\n")
        line.append(first)
        if others:
            yield from (each.decode("utf-8", "backslashreplace") for each in (b"".join(line), *others[:-1]))
            line = others[-1:]
        before_more()
    if any(line):
        yield b"".join(line).decode("utf-8", "backslashreplace")
