"""``gemel audit``."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from typing import TYPE_CHECKING

from gemel.cli import options
from gemel.cli.declared import FILE, InputWord, IntRange, argument, option, sub_command
from gemel.cli.echo import echo
from gemel.cli.endings import NOTHING_CHANGED, kept_when_stopped
from gemel.cli.options import INDEX, READ
from gemel.cli.positions import layout_among, no_layout
from gemel.cli.printing import print_diagnostic, print_remarks, prose_width, written_words
from gemel.errors import GemelError, UsageProblem
from gemel.files.paths import FilePath
from gemel.structs import Struct
from gemel.text.escaping import in_utf_8
from gemel.text.wrapping import wrapped

if TYPE_CHECKING:
    from gemel.audit.as_text import Totals
    from gemel.audit.result import ImageResult
    from gemel.audit.terms import Term
    from gemel.workflows.auditing.forms import AuditForm

IMAGE = "image="
"""What requires the versions that have the blocks of a file."""


class AuditArguments(Struct, kw_only=True):
    """The words and options of ``gemel audit``."""

    words: tuple[str, ...] = argument(
        metavar="[LAYOUT] [PATH]...", several=True, kind=InputWord(among_others=True)
    )
    layout: FilePath | None = options.layout
    layouts: FilePath | None = option(
        "--layouts",
        kind=FILE,
        metavar="FOLDER",
        help="Judge each image by the layout in this folder whose digest its record names.",
    )
    list_file: FilePath | None = option(
        "--list", kind=FILE, help="Read paths from this file, one a line or ended by zero bytes."
    )
    index_file: FilePath | None = option(
        "--index",
        kind=FILE,
        help=f"{INDEX}keep the results in it, and skip what is unchanged. Use an index of your own: it is believed.",
    )
    blocks: bool = option(
        "--blocks",
        is_flag=True,
        help="Keep the blocks of images that pass in the index too, so that halves of them are found without their "
        "files.",
    )
    again: bool = option("--again", is_flag=True, help="Judge all images, whatever the index knows.")
    terms: tuple[str, ...] = option(
        "--find",
        metavar="FIELD=VALUE",
        multiple=True,
        help="List what the index knows by version, build-id, key, digest, layout, product or finding (a rule that "
        "does not hold, as a cause or what it leads to), or by image=FILE; may be repeated: all must fit.",
    )
    form: str = options.form("text", "json", "csv", "jsonl", "html")
    reports: tuple[FilePath, ...] = option(
        "--report",
        kind=FILE,
        multiple=True,
        help="Write the result to this file too, by suffix .txt, .json, .csv, .jsonl or .html (a summary).",
    )
    jobs: int | None = option("--jobs", kind=IntRange(1, 256), help="Processes that judge; else one a core.")
    at: int | None = options.at
    trust: tuple[FilePath, ...] = options.trust(".")
    policy: FilePath | None = options.policy
    at_least: int | None = options.at_least
    paths_outside: bool = options.paths_outside
    date_text: str | None = options.date
    disassemble: bool = option(
        "--disassemble/--no-disassemble", default=False, help=f"{READ}; it takes about a second a MiB."
    )


@sub_command(
    "audit",
    AuditArguments,
    works_long=True,
    exits="0 all images pass; 1 a rule is broken, or --find finds nothing",
)
def command(asked: AuditArguments) -> int:
    """Check many images, and find among those that were checked before.

    Each PATH is an image, or a folder, of which all images in it and below are checked, one line an image. A file
    that cannot be read is reported, and the audit goes on. Images with the same content are reported as
    duplicates. With --index an audit that was stopped goes on where it stopped, and what has not changed is not read
    again. --find answers from the index alone, which may be that of gemel release --index: of which version a build
    id, a digest or a file (image=FILE: an image, a half of one, a dump) is; files are found in what was released, or
    audited with --blocks. LAYOUT ends in .toml; where it is left
    out, gemel.toml in the folder is used. The exit code is the highest that gemel check has for one of the images.

    \b
    Example:
      gemel audit tide-gauge.toml tide.hex tide.bin --index images.sqlite
    """
    from gemel.files.output_targets import refuse_targets
    from gemel.workflows.auditing.forms import form_of

    if asked.blocks and (asked.index_file is None or asked.terms):
        raise _usage("blocks are kept in an index", "--blocks", "--index FILE with it, and no --find")
    forms = {file: form_of(file.name) for file in asked.reports}
    inputs = [each for each in (asked.layout, asked.policy, asked.list_file, *asked.trust) if each]
    refuse_targets(
        [*asked.reports, *([asked.index_file] if asked.index_file and not asked.terms else [])], inputs
    )
    return _find(asked, forms) if asked.terms else _audit(asked, forms)


def _audit(asked: AuditArguments, forms: dict[FilePath, AuditForm]) -> int:
    """Judge all images; the highest exit code of one."""
    from gemel.audit.index import Index
    from gemel.progress import tracked
    from gemel.workflows.auditing.forms import form_named
    from gemel.workflows.auditing.many_images import audit
    from gemel.workflows.auditing.plan import Options, plan_for_folder, plan_for_layout
    from gemel.workflows.checking import date_of_today
    from gemel.workflows.inputs.values import date_of

    chosen, paths = _layout_among(asked.words, asked.layout, asked.layouts)
    if not paths and asked.list_file is None:
        raise _usage("no images are named", "none", "PATH or --list FILE")
    how = Options(
        trust=tuple(map(str, asked.trust)),
        policy=str(asked.policy) if asked.policy else None,
        at_least=asked.at_least,
        at=asked.at,
        disassemble=asked.disassemble,
        blocks=asked.blocks,
        paths_outside=asked.paths_outside,
        date=date_of(asked.date_text) or date_of_today(),
    )
    layouts = asked.layouts or FilePath("")
    plan = plan_for_layout(chosen, how) if chosen else plan_for_folder(layouts, how)
    print_remarks(plan.remarks)
    with closing(Index(asked.index_file)) as index:
        kept = "what was judged is kept in the index" if asked.index_file else NOTHING_CHANGED
        results = audit(_files(paths, asked.list_file), plan, index, jobs=asked.jobs or 0, again=asked.again)
        counted = sys.stderr and sys.stderr.isatty() and asked.list_file is None
        total = sum(1 for _ in _files(paths, asked.list_file)) if counted else 0
        with kept_when_stopped(kept):
            return _given(tracked(results, "images", total), form_named(asked.form), forms).exit_code


def _layout_among(
    words: Sequence[str], layout: FilePath | None, layouts: FilePath | None
) -> tuple[FilePath | None, list[str]]:
    """The layout's file, None where there is a folder of them, and the paths of images."""
    found, paths = layout_among([*([str(layout)] if layout else []), *words])
    named = [str(each) for each in (found, layouts) if each]
    if layouts and (layout or any(word == str(found) for word in words)):
        raise _usage("a layout and a folder of layouts", " ".join(named), "one of the two")
    if found is None and layouts is None:
        raise UsageProblem(no_layout("[LAYOUT] PATH..., or --layouts FOLDER"))
    return (None if layouts else found), paths


def _files(paths: Sequence[str], list_file: FilePath | None) -> Iterator[str]:
    from gemel.audit.listing import files_under, listed

    yield from files_under(paths)
    if list_file:
        yield from files_under(listed(list_file))


def _find(asked: AuditArguments, forms: dict[FilePath, AuditForm]) -> int:
    """Print what the index knows; 1 if nothing fits."""
    from gemel.audit.index import Index
    from gemel.audit.terms import term_in
    from gemel.workflows.auditing.forms import form_named
    from gemel.workflows.releasing.index import images_with

    terms, index_file, at = asked.terms, asked.index_file, asked.at
    if index_file is None or asked.words or asked.list_file or asked.layout or asked.layouts:
        found = "no --index" if index_file is None else "paths or a layout"
        raise _usage("--find answers from an index alone", found, "--index FILE --find FIELD=VALUE")
    files = [each.removeprefix(IMAGE) for each in terms if each.startswith(IMAGE)]
    wanted = [term_in(each) for each in terms if not each.startswith(IMAGE)]
    if len(files) > 1 or (at is not None and not files):
        found = "--at" if not files else " ".join(files)
        raise _usage("an index is searched for one file", found, "one image=FILE, with or without --at")
    with closing(Index(index_file, write=False)) as index:
        results = index.find(wanted) if wanted else iter(())
        if files:
            fitting = {each.content_sha256 for each in results}
            found_with = images_with(index, FilePath(files[0]), at)
            results = (each for each in found_with if not wanted or each.content_sha256 in fitting)
        if _given(results, form_named(asked.form), forms, ends=False).images:
            return 0
        print_diagnostic(f"{index_file}: nothing fits {' '.join(terms)}{_nearest(wanted)}")
        return 1


def _nearest(wanted: Sequence[Term]) -> str:
    """The rule whose name was probably meant, where one that gemel does not know was searched for."""
    from gemel.checking.registry import rule_names
    from gemel.errors import nearest_hint

    names = rule_names()
    unknown = [each.value for each in wanted if each.field == "finding" and each.value not in names]
    hints = [hint for each in unknown if (hint := nearest_hint(each, names))]
    return f"; {hints[0]}" if hints else ""


def _given(
    results: Iterable[ImageResult], form: AuditForm, forms: dict[FilePath, AuditForm], *, ends: bool = True
) -> Totals:
    """Print results as they come, and write them to the files of reports; what they come to."""
    from gemel.audit.as_text import Totals
    from gemel.workflows.auditing.forms import Spool

    totals, spools = Totals(), {file: Spool(each) for file, each in forms.items()}
    writer = form.writer()
    _put(writer.start(), form)
    for result in results:
        totals.add(result)
        _put(writer.line(result), form, of_image=True)
        for spool in spools.values():
            spool.add(result)
    if spools:
        from gemel.files.outputs import write_all

        write_all({file: spool.blocks(totals) for file, spool in spools.items()})
        print_diagnostic(written_words(spools))
    _put(writer.end(totals) if ends or form.name in ("json", "html") else "", form)
    return totals


def _put(text: str, form: AuditForm, *, of_image: bool = False) -> None:
    """To stdout, text as wide as the terminal, but one line an image for programs, whatever COLUMNS says.

    Other forms are UTF-8 whatever the terminal's encoding.
    """
    if form.name != "text":
        echo(in_utf_8(text), nl=False)
        return

    wraps = not of_image or (sys.stdout and sys.stdout.isatty())
    for line in text.splitlines():
        parts = wrapped(line, prose_width(sys.stdout), indent=len("FAIL ")) if wraps else [line]
        echo("\n".join(parts))


def _usage(what: str, found: str, expected: str) -> GemelError:
    return UsageProblem(what, found=found, expected=expected, next_step="see gemel audit --help")
