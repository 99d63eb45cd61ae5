"""``gemel join``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from gemel.cli.declared import argument, option, sub_command
from gemel.cli.parameters import (
    INPUTS,
    as_option,
    date_option,
    disassemble_option,
    form_option,
    images_option,
    key_option,
    memories_option,
    paths_outside_option,
    policy_option,
    quiet_option,
    report_option,
    rollback_option,
    strict_option,
    version_option,
)
from gemel.cli.signing.pass_phrases import open_keys_option, pass_phrase_options

if TYPE_CHECKING:
    from gemel.inspection.inspection import Strict

USAGE = "[LAYOUT] [NAME=BUILD]..."


@sub_command("join", works_long=True)
@argument("words", metavar=USAGE, several=True, kind=INPUTS)
@images_option(required=True)
@memories_option
@version_option("Version of the image; else the layout's.")
@rollback_option("Rollback counter of the image; else the layout's.")
@key_option()
@pass_phrase_options
@option(
    "--leave-unsealed",
    is_flag=True,
    help="Write the image without the seal that the layout requires, to be sealed later with gemel sign.",
)
@open_keys_option
@policy_option
@option(
    "--read-back",
    "reads_back",
    is_flag=True,
    help="Before anything is written, read every output, each build's bytes and the seal by other libraries too.",
)
@paths_outside_option
@date_option
@disassemble_option
@as_option
@option("--dry-run", is_flag=True, help="Join and check, and write no image.")
@strict_option
@form_option("text", "json", "sarif", "junit", "lines", "html")
@report_option
@option("--all", "everything", is_flag=True, help="In text, list every rule and place.")
@quiet_option
def command(
    words: tuple[str, ...],
    outputs: tuple[Path, ...],
    memories: tuple[str, ...],
    version_text: str | None,
    rollback: int | None,
    key_texts: tuple[str, ...],
    phrase_files: tuple[Path, ...],
    phrase_names: tuple[str, ...],
    leave_unsealed: bool,
    open_keys: bool,
    policy: Path | None,
    reads_back: bool,
    paths_outside: bool,
    date_text: str | None,
    disassemble: bool,
    as_form: str | None,
    dry_run: bool,
    strict: Strict | None,
    form: str,
    reports: tuple[Path, ...],
    everything: bool,
    quiet: bool,
) -> int:
    """Join the builds of a layout into one flash image.

    The image is checked before it is written; one that breaks a rule is not written. Where LAYOUT is left out,
    gemel.toml in the folder is it. A build is given as NAME=FILE, or by its path in the layout. With --key the
    image is sealed: the seal is written last, over the record. With --policy the image must also pass as it would
    by `gemel check` with the same option. Reports are as those of gemel check.

    \b
    Example:
      gemel join tide-gauge.toml station=station.elf sampler=sampler.elf -o tide.hex -o tide.bin
    """
    from gemel.cli.endings import NO_IMAGE_WRITTEN, NOTHING_WRITTEN
    from gemel.cli.positions import given, layout_of
    from gemel.cli.printing import print_diagnostic, print_remarks, written_lines
    from gemel.cli.reporting import (
        Shown,
        inputs_among,
        refuse_reports,
        report_texts,
        reports_of_problems,
    )
    from gemel.cli.signing.key_options import GivenKeys
    from gemel.cli.signing.pass_phrases import PassPhrases
    from gemel.cli.signing.seal_lines import seal_lines, unsealed_lines
    from gemel.files.output_targets import refuse_targets
    from gemel.files.outputs import write_all
    from gemel.workflows.inputs import (
        build_files,
        date_of,
        load_builds,
        load_layout,
        version_of,
    )
    from gemel.workflows.joining import assumptions_of, join_and_check
    from gemel.workflows.sealing import refuse_unsealable
    from gemel.workflows.trust import load_policy
    from gemel.workflows.writing import (
        STDOUT,
        encoded,
        memory_files,
        of_file,
        refuse_suffixes,
        write_images,
    )

    refuse_reports(reports, inputs_among(words))
    with reports_of_problems(reports):
        version, date = version_of(version_text), date_of(date_text)
        refuse_suffixes(outputs, as_form)
        found = given(words, USAGE, least=0, most=0)
        layout = layout_of(found, USAGE)
        read = load_layout(layout, paths_outside=paths_outside)
        files = build_files(read, found.builds, by_path=True)
        own = load_policy(policy) if policy else None
        phrases = PassPhrases(phrase_files, phrase_names)
        with GivenKeys(key_texts, phrases, open_keys=open_keys) as keys:
            refuse_unsealable(read.layout, keys, leave_unsealed)
            whole = memory_files(read.layout, memories)
            targets = [path for path in outputs if path != STDOUT]
            refuse_targets(
                [*targets, *whole, *reports],
                [layout, *files.values(), *keys.files, *([policy] if policy else [])],
            )
            handed = load_builds(read, files)
            for build in handed.values():
                print_remarks([*build.remarks, *assumptions_of(read.layout, build)])
            made = join_and_check(
                read,
                handed,
                keys,
                policy=own,
                version=version,
                rollback=rollback,
                leave_unsealed=leave_unsealed,
                disassemble=disassemble,
                strict=strict or "",
                today=date,
            )
        joined, result = made.joined, made.result
        if reads_back and result.passes:
            from gemel.workflows.read_back import build_bytes, read_back

            given_bytes = build_bytes(files, handed)
            result = read_back(result, joined.image, outputs, whole, given_bytes, form=as_form, today=date)
        if result.passes and not dry_run:
            blocks = encoded(outputs[0], joined.image.data, read.layout, joined.image.entry, as_form)
            result = of_file(result, outputs[0], blocks)
        shown = Shown(result, form, everything, quiet and result.passes, STDOUT in outputs, "--all")
        done: list[str] = []
        with shown:
            documents = {file: [text] for file, text in report_texts(result, reports, everything).items()}
            if result.passes and not dry_run:
                done = seal_lines(read.layout, made.seal) if made.seal else []
                if not made.seal and (read.layout.seal or leave_unsealed):
                    done = unsealed_lines(shown.width)
                sizes = write_images(
                    joined.image, *outputs, layout=read, memories=whole, form=as_form, further=documents
                )
                done += written_lines(sizes, shown.width, outputs[0])
                if reads_back:
                    from gemel.text.wrapping import labelled_lines
                    from gemel.workflows.read_back import read_back_words

                    done += labelled_lines(read_back_words(result), shown.width)
            else:
                write_all(documents)
                print_diagnostic(NO_IMAGE_WRITTEN if reports else NOTHING_WRITTEN)
    shown.verdict(done)
    return 0 if result.passes else 1
