"""``gemel where``."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from gemel.cli import options
from gemel.cli.declared import DONE, FILE, INPUT, InputWord, argument, option, sub_command
from gemel.cli.echo import echo
from gemel.cli.options import INDEX
from gemel.cli.positions import layout_among, no_layout
from gemel.cli.printing import print_remarks, terminal_width
from gemel.errors import Problem, UsageProblem
from gemel.files.paths import FilePath
from gemel.structs import Struct
from gemel.text.escaping import in_shell

if TYPE_CHECKING:
    from gemel.builds.build import Build
    from gemel.image.image import Image
    from gemel.layout.reader import ReadLayout
    from gemel.lookup.facts import Lookup


BLOCK = 1 << 16
"""Bytes that are read from stdin at most before what they say is printed."""


class WhereArguments(Struct, kw_only=True):
    """The words and options of ``gemel where``."""

    words: tuple[str, ...] = argument(
        metavar="[LAYOUT] [NAME=BUILD]... [ADDRESS|SYMBOL]...",
        several=True,
        kind=InputWord(among_others=True),
    )
    image: FilePath | None = option(
        "--image", metavar="IMAGE", kind=INPUT, help="Image whose bytes and record are used too."
    )
    at: int | None = options.at
    as_form: str | None = options.as_form
    paths_outside: bool = options.paths_outside
    folders: tuple[FilePath, ...] = option(
        "--symbols",
        kind=FILE,
        metavar="FOLDER",
        multiple=True,
        help="Folder with ELF files by build id, .build-id/xx/yyyy.debug.",
    )
    build_ids: tuple[str, ...] = option(
        "--build-id",
        metavar="[NAME=]ID",
        multiple=True,
        help="Take the build with this build id, or its first digits, from --symbols.",
    )
    version: str | None = option(
        "--version", metavar="X.Y.Z", help="Take the builds of this version from --symbols, by --index."
    )
    index: FilePath | None = option(
        "--index", kind=INPUT, help=f"{INDEX}it has the build ids of each version."
    )
    cores: tuple[str, ...] = option(
        "--core", multiple=True, metavar="CORE", help="Core whose view it is; else all of them."
    )
    form: str = options.form("text", "json")


@sub_command("where", WhereArguments, exits=DONE)
def command(asked: WhereArguments) -> int:
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
    from gemel.workflows.looking_up import answers_and_problems, lookup_of, of_files

    layout, builds, queries = _sorted(asked.words)
    read, given, image = _looked_up_in(asked, layout, builds)
    if read is None and not given and not of_files(queries):
        raise UsageProblem(_no_layout(asked))
    lookup = lookup_of(read, given, image, queries)
    if queries in ([], ["-"]):
        if asked.form == "json":
            step = "give addresses or symbols; a text from standard input stays text"
            raise UsageProblem("nothing to answer in JSON", where="--format json", next_step=step)
        if not _annotate(lookup, asked.cores):
            print_remarks(
                [Problem("standard input is empty", next_step="give an address or a symbol, or a text")]
            )
        return 0
    answers, problems = answers_and_problems(lookup, queries, asked.cores)
    if asked.form == "json" and not problems:  # one document: the answers, or what is wrong
        from gemel.lookup.facts import FORMAT, Answers
        from gemel.text.as_json import form_text

        echo(form_text(FORMAT, Answers.of(answers)).encode("ascii"), nl=False)
    elif asked.form == "text" and answers:
        from gemel.lookup.as_text import text_of

        width = terminal_width(sys.stdout)
        echo("\n\n".join("\n".join(text_of(answer, width)) for answer in answers))
    if problems:
        raise UsageProblem(problems)
    return 0


def _looked_up_in(
    asked: WhereArguments, layout: FilePath | None, builds: Sequence[str]
) -> tuple[ReadLayout | None, dict[str, Build], Image | None]:
    """The layout, the builds, those of --symbols among them, and the image, with remarks on what was given."""
    from gemel.workflows.inputs.images import read_image

    read, files, given = _inputs(layout, builds, asked.paths_outside)
    if asked.image is not None and read is None:
        raise UsageProblem(_no_layout(asked))
    loaded = read_image(asked.image, layout=read, at=asked.at, form=asked.as_form) if asked.image else None
    if loaded and read:
        from gemel.workflows.inputs.builds import without_others

        print_remarks(without_others(read, loaded, builds, files, given))
    if asked.folders or asked.build_ids or asked.version or asked.index:
        from gemel.workflows.inputs.symbol_files import (
            builds_by_id,
            builds_of_image,
            ids_of_version,
            refuse_symbols,
        )

        build_ids = (*ids_of_version(asked.index, asked.version, read), *asked.build_ids)
        refuse_symbols(asked.folders, build_ids, loaded is not None)
        if loaded and read and not build_ids:
            of_image, remarks = builds_of_image(loaded, asked.folders, read)
            print_remarks(remarks)
            given = of_image | given
        given = given | builds_by_id(build_ids, asked.folders, read)
    return read, given, loaded


def _no_layout(asked: WhereArguments) -> Problem:
    """That there is nothing to look anything up in, with the layouts that are there."""
    usage = f"[LAYOUT] [NAME=BUILD]... {in_shell(*asked.words) if asked.words else '[ADDRESS|SYMBOL]...'}"
    return no_layout(f"{usage} --image IMAGE", [asked.image]) if asked.image else no_layout(usage)


def _sorted(words: Sequence[str]) -> tuple[FilePath | None, list[str], list[str]]:
    """The layout's file, the builds and the questions, from words in any order; the folder's own layout if none."""
    from gemel.workflows.looking_up import value_of_register

    if problems := [each for word in words if "=" in word and (each := value_of_register(word))]:
        raise UsageProblem(problems)
    layout, queries = layout_among([word for word in words if "=" not in word])
    return layout, [word for word in words if "=" in word], queries


def _inputs(
    layout: FilePath | None, builds: Sequence[str], paths_outside: bool
) -> tuple[ReadLayout | None, dict[str, FilePath], dict[str, Build]]:
    from gemel.workflows.inputs.builds import load_names
    from gemel.workflows.inputs.layouts import load_layout_and_files

    if layout is not None:
        read, files, remarks = load_layout_and_files(layout, builds, paths_outside=paths_outside)
        print_remarks(remarks)
        return read, files, load_names(read, files)
    files = {}
    for text in builds:
        name, _, file = text.partition("=")
        files[name] = FilePath(file)
    return None, files, load_names(None, files)


def _annotate(lookup: Lookup, cores: Sequence[str]) -> bool:
    """Print stdin with its addresses named; whether it has any text."""
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
