"""``gemel join``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.cli import options
from gemel.cli.declared import INPUTS, argument, option, sub_command
from gemel.cli.endings import NO_IMAGE_WRITTEN, NOTHING_WRITTEN
from gemel.cli.positions import given, layout_of
from gemel.cli.printing import print_diagnostic, print_remarks, written_lines
from gemel.cli.reporting import Shown, inputs_among, refuse_reports, report_texts, reports_of_problems
from gemel.files.paths import FilePath
from gemel.structs import NamedTuple, Struct
from gemel.text.wrapping import labelled_lines

if TYPE_CHECKING:
    from gemel.cli.reporting import Shown
    from gemel.inspection.inspection import Strict
    from gemel.layout.reader import ReadLayout
    from gemel.workflows.checking import CheckResult
    from gemel.workflows.joining import CheckedJoin

USAGE = "[LAYOUT] [NAME=BUILD]..."


class JoinArguments(Struct, kw_only=True):
    """The words and options of ``gemel join``, ."""

    words: tuple[str, ...] = argument(metavar=USAGE, several=True, kind=INPUTS)
    outputs: tuple[FilePath, ...] = options.images(required=True, unless="dry_run")
    memories: tuple[str, ...] = options.memories
    version_text: str | None = options.version("Version of the image; else the layout's.")
    rollback: int | None = options.rollback("Rollback counter of the image; else the layout's.")
    key_texts: tuple[str, ...] = options.key()
    phrase_files: tuple[FilePath, ...] = options.phrase_files
    phrase_names: tuple[str, ...] = options.phrase_names
    leave_unsealed: bool = option(
        "--leave-unsealed",
        is_flag=True,
        help="Write the image without the seal that the layout requires, to be sealed later with gemel sign.",
    )
    open_keys: bool = options.open_keys
    policy: FilePath | None = options.policy
    reads_back: bool = option(
        "--read-back",
        is_flag=True,
        help="Before anything is written, read every output, each build's bytes and the seal by other libraries too.",
    )
    paths_outside: bool = options.paths_outside
    date_text: str | None = options.date
    disassemble: bool = options.disassemble
    as_form: str | None = options.as_form
    dry_run: bool = option(
        "--dry-run", is_flag=True, help="Join and check, and write no image; -o may be left out."
    )
    strict: Strict | None = options.strict
    form: str = options.form("text", "json", "sarif", "junit", "lines", "html")
    reports: tuple[FilePath, ...] = options.report
    everything: bool = options.everything
    quiet: bool = options.quiet


@sub_command("join", JoinArguments, works_long=True)
def command(asked: JoinArguments) -> int:
    """Join the builds of a layout into one flash image.

    The image is checked before it is written; one that breaks a rule is not written. Where LAYOUT is left out,
    gemel.toml in the folder is it. A build is given as NAME=FILE, or by its path in the layout. With --key the
    image is sealed: the seal is written last, over the record. With --policy the image must also pass as it would
    by `gemel check` with the same option. Reports are as those of gemel check.

    \b
    Example:
      gemel join tide-gauge.toml station=station.elf sampler=sampler.elf -o tide.hex -o tide.bin
    """
    from gemel.workflows.writing import refuse_suffixes

    refuse_reports(asked.reports, inputs_among(asked.words))
    with reports_of_problems("join", asked.reports):
        refuse_suffixes(asked.outputs, asked.as_form)
        joined = _joined(asked)
        shown, done = _written(asked, joined)
    shown.verdict(done)
    return 0 if joined.result.passes else 1


class _Joined(NamedTuple):
    """A join and its check; ``whole`` has the memories that are written to files of their own."""

    made: CheckedJoin
    result: CheckResult
    read: ReadLayout
    whole: dict[FilePath, str]


def _joined(asked: JoinArguments) -> _Joined:
    """The builds joined and checked; nothing is written yet."""
    from gemel.cli.signing.key_options import GivenKeys
    from gemel.files.output_targets import refuse_targets
    from gemel.workflows.inputs.builds import build_files, load_builds
    from gemel.workflows.inputs.layouts import load_layout
    from gemel.workflows.inputs.values import date_of, version_of
    from gemel.workflows.joining import assumptions_of, join_and_check
    from gemel.workflows.sealing import refuse_unsealable
    from gemel.workflows.trust import given_policy
    from gemel.workflows.writing import STDOUT, memory_files

    version, date = version_of(asked.version_text), date_of(asked.date_text)
    found = given(asked.words, USAGE, least=0, most=0)
    layout = layout_of(found)
    read = load_layout(layout, paths_outside=asked.paths_outside)
    files = build_files(read, found.builds, by_path=True)
    policy = given_policy(asked.policy)
    with GivenKeys.of(asked) as keys:
        refuse_unsealable(read.layout, keys, asked.leave_unsealed)
        whole = memory_files(read.layout, asked.memories)
        targets = [path for path in asked.outputs if path != STDOUT]
        inputs = [layout, *files.values(), *keys.files, *([asked.policy] if asked.policy else [])]
        refuse_targets([*targets, *whole, *asked.reports], inputs)
        builds = load_builds(read, files)
        for build in builds.values():
            print_remarks([*build.remarks, *assumptions_of(read.layout, build)])
        made = join_and_check(
            read,
            builds,
            keys,
            policy=policy,
            version=version,
            rollback=asked.rollback,
            leave_unsealed=asked.leave_unsealed,
            disassemble=asked.disassemble,
            strict=asked.strict or "",
            today=date,
        )
    result = made.result
    if asked.reads_back and result.passes:
        from gemel.workflows.read_back import build_bytes, read_back

        stored = build_bytes(files, builds)
        result = read_back(
            result, made.joined.image, asked.outputs, whole, stored, form=asked.as_form, today=date
        )
    return _Joined(made, result, read, whole)


def _written(asked: JoinArguments, joined: _Joined) -> tuple[Shown, list[str]]:
    """Print the result, and write images and reports if it passes; what is said at the end."""
    from gemel.cli.signing.seal_lines import seal_lines, sign_command, unsealed_lines
    from gemel.files.outputs import write_all
    from gemel.workflows.writing import STDOUT, MadeFile, encoded, made_file, of_file, write_files

    made, result, read, whole = joined
    image, outputs, form = made.joined.image, asked.outputs, asked.as_form
    ready: dict[FilePath, MadeFile] = {}
    writes = result.passes and not asked.dry_run
    if writes:
        first = outputs[0]
        ready[first] = made_file(encoded(first, image.data, read.layout, image.entry, form))
        result = of_file(result, first, ready[first].file)
    quiet = asked.quiet and result.passes
    shown = Shown(result, asked.form, asked.everything, quiet, STDOUT in outputs, "--all")
    done: list[str] = []
    with shown:
        documents = {
            file: [text] for file, text in report_texts(result, asked.reports, asked.everything).items()
        }
        if writes:
            done = seal_lines(read.layout, made.seal) if made.seal else []
            if not made.seal and (read.layout.seal or asked.leave_unsealed):
                options = {"--version": asked.version_text, "--rollback": asked.rollback, "--as": form}
                done = unsealed_lines(shown.width, sign_command(FilePath(read.file), outputs, options))
            sizes = write_files(
                image, outputs, layout=read, memories=whole, form=form, further=documents, made=ready
            )
            done += written_lines(sizes, shown.width, outputs[0])
            if asked.reads_back:
                from gemel.workflows.read_back import read_back_words

                done += labelled_lines(read_back_words(result), shown.width, 0)
        else:
            write_all(documents)
            print_diagnostic(NO_IMAGE_WRITTEN if asked.reports else NOTHING_WRITTEN)
    return shown, done
