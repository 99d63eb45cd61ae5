"""``gemel join``."""

from __future__ import annotations

import sys
from pathlib import Path

from gemel.cli.declared import IntRange, argument, option, sub_command
from gemel.cli.echo import echo
from gemel.cli.parameters import FILE, date_option, disassemble_option, paths_outside_option
from gemel.cli.signing.pass_phrases import open_keys_option, pass_phrase_options


@sub_command("join")
@argument("layout", kind=FILE)
@argument("builds", metavar="[NAME=BUILD]...", several=True)
@option(
    "-o",
    "--output",
    "outputs",
    metavar="IMAGE",
    multiple=True,
    required=True,
    kind=FILE,
    help="Image to write, by suffix .hex, .srec or .bin; may be given several times.",
)
@option(
    "--memory",
    "memories",
    metavar="NAME=FILE",
    multiple=True,
    help="Write every byte of this flash memory too, raw, erased ones filled in; may be repeated.",
)
@option("--version", "version_text", metavar="X.Y.Z", help="Version of the image; else the layout's.")
@option(
    "--rollback",
    kind=IntRange(0, 0xFFFF_FFFF),
    help="Rollback counter of the image; else the layout's.",
)
@option(
    "--key",
    "key_texts",
    metavar="KEY",
    multiple=True,
    help="Seal with this private key, a file or a pkcs11: URI (a key on a token); may be repeated.",
)
@pass_phrase_options
@open_keys_option
@option(
    "--leave-unsealed",
    is_flag=True,
    help="Write the image without the seal that the layout requires, to be sealed later with gemel sign.",
)
@option(
    "--read-back",
    "reads_back",
    is_flag=True,
    help="Before anything is written, read every output, each build's bytes and the seal by other libraries too.",
)
@paths_outside_option
@date_option
@disassemble_option
def command(
    layout: Path,
    builds: tuple[str, ...],
    outputs: tuple[Path, ...],
    memories: tuple[str, ...],
    version_text: str | None,
    rollback: int | None,
    key_texts: tuple[str, ...],
    phrase_files: tuple[Path, ...],
    phrase_names: tuple[str, ...],
    open_keys: bool,
    leave_unsealed: bool,
    reads_back: bool,
    paths_outside: bool,
    date_text: str | None,
    disassemble: bool,
) -> int:
    """Join the builds of a layout into one flash image.

    The image is checked before it is written; one that breaks a rule is not written. A build is given as
    NAME=FILE, or by its path in the layout. With --key the image is sealed: the seal is written last, over
    the record.

    \b
    Example:
      gemel join tide-gauge.toml station=station.elf sampler=sampler.elf -o tide.hex -o tide.bin
    """
    from gemel.checking.identity import identity_lines, identity_of
    from gemel.checking.reports.as_text import report_of
    from gemel.cli.endings import NOTHING_WRITTEN
    from gemel.cli.printing import print_done, print_remarks, prose_width, written_words
    from gemel.cli.signing.key_options import KeysAtHand
    from gemel.cli.signing.pass_phrases import PassPhrases
    from gemel.cli.signing.seal_lines import NOT_SEALED, seal_lines
    from gemel.files.output_targets import refuse_targets
    from gemel.workflows.inputs import build_files, date_of, load_builds, load_layout, version_of
    from gemel.workflows.joining import assumptions_of, contents_of, join_and_check
    from gemel.workflows.sealing import refuse_unsealable
    from gemel.workflows.writing import memory_files, refuse_suffixes, write_images

    version, date = version_of(version_text), date_of(date_text)
    refuse_suffixes(outputs)
    read = load_layout(layout, paths_outside=paths_outside)
    with KeysAtHand(key_texts, PassPhrases(phrase_files, phrase_names), open_keys=open_keys) as keys:
        refuse_unsealable(read.layout, keys, leave_unsealed)
        files = build_files(read, builds, by_path=True)
        whole = memory_files(read.layout, memories)
        refuse_targets([*outputs, *whole], [layout, *files.values(), *keys.files])
        handed = load_builds(read, files)
        for build in handed.values():
            print_remarks([*build.remarks, *assumptions_of(read.layout, build)])
        made = join_and_check(read, handed, version, rollback, keys, leave_unsealed, disassemble, date)
    joined, result = made.joined, made.result
    if reads_back and result.passes:
        from gemel.workflows.read_back import build_bytes, read_back, read_back_lines

        given = build_bytes(files, handed)
        result = read_back(result, read.layout, joined.image, outputs, whole, given, date)
        echo("\n".join(read_back_lines(result)))
    echo("\n".join(identity_lines(identity_of(result.inspection), prose_width(sys.stdout))))
    if result.passes:
        echo("\n".join(contents_of(joined)))
        if made.seal:
            echo("\n".join(seal_lines(read.layout, made.seal)))
        elif read.layout.seal or leave_unsealed:
            echo(NOT_SEALED)
        write_images(joined.image, *outputs, layout=read, memories=whole)
        print_done(written_words([*outputs, *whole]))
    else:
        echo(NOTHING_WRITTEN, err=True)
    echo("")
    echo("\n".join(report_of(result, width=prose_width(sys.stdout))))
    return 0 if result.passes else 1
