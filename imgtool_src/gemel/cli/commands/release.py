"""``gemel release``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.cli.declared import Choice, argument, option, sub_command
from gemel.cli.parameters import (
    FILE,
    INDEX,
    INPUT,
    INPUTS,
    date_option,
    disassemble_option,
    key_option,
    paths_outside_option,
    policy_option,
    quiet_option,
    rollback_option,
    strict_option,
    version_option,
)
from gemel.cli.printing import print_diagnostic, print_remarks
from gemel.cli.signing.pass_phrases import PassPhrases, open_keys_option, pass_phrase_options
from gemel.files.paths import FilePath
from gemel.text.wrapping import labelled_lines

if TYPE_CHECKING:
    from gemel.inspection.inspection import Strict

USAGE = "[LAYOUT] [[old:]NAME=BUILD]..."


@sub_command("release", works_long=True)
@argument("words", metavar=USAGE, several=True, kind=INPUTS)
@option(
    "-o",
    "--output",
    "folder",
    metavar="FOLDER",
    kind=FILE,
    required=True,
    help="New folder to make, whole or not at all.",
)
@key_option(more=", and sign the provenance with it")
@pass_phrase_options
@open_keys_option
@option(
    "--format",
    "formats",
    multiple=True,
    kind=Choice(["hex", "srec", "bin"]),
    help="Form of the image; may be repeated.  [default: hex]",
)
@option(
    "--memory-files/--no-memory-files",
    "memories",
    default=True,
    help="Write every byte of each memory that the image has bytes in too, raw, erased ones filled in."
    "  [default: write]",
)
@version_option("Version of the image; else the layout's.")
@rollback_option("Rollback counter of the image; else the layout's.")
@option(
    "--previous",
    metavar="IMAGE",
    kind=INPUT,
    help="Older image: the rollback counter must be at least its counter, and notes say what changed.",
)
@policy_option
@option(
    "--sbom",
    "sboms",
    metavar="[NAME=]FILE",
    multiple=True,
    help="CycloneDX JSON of a team, of build NAME or of the product, to merge into the SBOM.",
)
@option(
    "--vex",
    kind=INPUT,
    multiple=True,
    help="VEX of a team as JSON (CycloneDX, OpenVEX, CSAF), to ship byte for byte in vex/.",
)
@option(
    "--builder",
    metavar="URI",
    help="Who runs this, for the provenance, such as the URI of a CI job's definition.",
)
@option(
    "--index",
    kind=FILE,
    help=f"{INDEX}put the release into it, for gemel audit --find and gemel check --from-device.",
)
@option(
    "--rehearse",
    is_flag=True,
    help="Run the reset code of all cores in an emulated device too (gemel rehearse), and ship its timeline.",
)
@paths_outside_option
@date_option
@disassemble_option
@strict_option
@quiet_option
def command(
    words: tuple[str, ...],
    folder: FilePath,
    key_texts: tuple[str, ...],
    phrase_files: tuple[FilePath, ...],
    phrase_names: tuple[str, ...],
    open_keys: bool,
    formats: tuple[str, ...],
    memories: bool,
    version_text: str | None,
    rollback: int | None,
    previous: FilePath | None,
    policy: FilePath | None,
    sboms: tuple[str, ...],
    vex: tuple[FilePath, ...],
    builder: str | None,
    index: FilePath | None,
    rehearse: bool,
    paths_outside: bool,
    date_text: str | None,
    disassemble: bool,
    strict: Strict | None,
    quiet: bool,
) -> int:
    """Make the folder that is shipped: images, layout, keys, reports, SBOM, provenance, digests.

    The builds are joined, sealed and checked as gemel join does it. Then every written file, each build's bytes and
    the seal are read again by other libraries than gemel's own and compared byte by byte; the report says so. The
    SBOM is CycloneDX, with what debug information shows of compilers and libraries; the provenance is an in-toto
    statement (SLSA) in a DSSE envelope, signed with the image's keys; sha256sum -c SHA256SUMS verifies the digests.
    Equal inputs give equal bytes, but for signatures that are random. Nothing is written where a rule is broken,
    where a policy demands a seal that is not there, or with --strict where a rule warns. With --previous,
    old:NAME=BUILD gives the builds of that image. gemel check --release FOLDER verifies the folder.

    \b
    Example:
      gemel release tide-gauge.toml station=station.elf sampler=sampler.elf -o tide-1.4.2
    """
    from gemel.cli.endings import NOTHING_WRITTEN
    from gemel.cli.positions import given, layout_of
    from gemel.cli.reporting import Shown
    from gemel.cli.signing.key_options import GivenKeys
    from gemel.cli.signing.seal_lines import unsealed_lines
    from gemel.files.folders import refuse_folder
    from gemel.workflows.read_back import read_back_words
    from gemel.workflows.releasing.index import refuse_index, write_release
    from gemel.workflows.releasing.inputs import ReleaseRequest
    from gemel.workflows.releasing.release import make_release

    refuse_folder(folder)
    if index:
        refuse_index(index, folder)
    found = given(words, USAGE, least=0, most=0)
    request = ReleaseRequest(
        layout=layout_of(found, USAGE),
        builds=found.builds,
        formats=formats or ("hex",),
        memories=memories,
        version=version_text,
        rollback=rollback,
        previous=previous,
        policy=policy,
        sboms=sboms,
        vex=vex,
        builder=builder,
        rehearse=rehearse,
        strict=strict or "",
        disassemble=disassemble,
        date=date_text,
        paths_outside=paths_outside,
    )
    phrases = PassPhrases(phrase_files, phrase_names)
    with GivenKeys(key_texts, phrases, open_keys=open_keys) as keys:
        released = make_release(request, keys)
    print_remarks(released.remarks)
    result, done = released.check, []
    shown = Shown(result, silent=quiet and bool(released.files))
    with shown:
        if released.files:
            print_remarks(write_release(folder, released, index))
            files = [("wrote", f"{folder}/{name}") for name in sorted(released.files)]
            done = labelled_lines([*read_back_words(result), *files], shown.width, 0)
            if result.inspection.layout.seal and not key_texts:
                done += unsealed_lines(shown.width, "the same command, with --key KEY.pem and a new folder")
        else:
            print_diagnostic(NOTHING_WRITTEN)
    shown.verdict(done)
    return 0 if released.files else 1
