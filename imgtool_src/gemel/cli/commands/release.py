"""``gemel release``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.cli import options
from gemel.cli.declared import FILE, INPUT, INPUTS, Choice, argument, option, sub_command
from gemel.cli.endings import NOTHING_WRITTEN
from gemel.cli.options import INDEX
from gemel.cli.positions import given, layout_of
from gemel.cli.printing import print_diagnostic, print_remarks
from gemel.cli.reporting import Shown
from gemel.files.paths import FilePath
from gemel.structs import Struct
from gemel.text.wrapping import labelled_lines

if TYPE_CHECKING:
    from gemel.inspection.inspection import Strict
    from gemel.workflows.releasing.inputs import ReleaseRequest

USAGE = "[LAYOUT] [[old:]NAME=BUILD]..."


class ReleaseArguments(Struct, kw_only=True):
    """The words and options of ``gemel release``."""

    words: tuple[str, ...] = argument(metavar=USAGE, several=True, kind=INPUTS)
    folder: FilePath = option(
        "-o",
        "--output",
        metavar="FOLDER",
        kind=FILE,
        required=True,
        help="New folder to make, whole or not at all.",
    )
    key_texts: tuple[str, ...] = options.key(more=", and sign the provenance with it")
    phrase_files: tuple[FilePath, ...] = options.phrase_files
    phrase_names: tuple[str, ...] = options.phrase_names
    open_keys: bool = options.open_keys
    formats: tuple[str, ...] = option(
        "--format",
        multiple=True,
        kind=Choice(["hex", "srec", "bin"]),
        help="Form of the image; may be repeated.  [default: hex]",
    )
    memories: bool = option(
        "--memory-files/--no-memory-files",
        default=True,
        help="Write every byte of each memory that the image has bytes in too, raw, erased ones filled in."
        "  [default: write]",
    )
    version_text: str | None = options.version("Version of the image; else the layout's.")
    rollback: int | None = options.rollback("Rollback counter of the image; else the layout's.")
    previous: FilePath | None = option(
        "--previous",
        metavar="IMAGE",
        kind=INPUT,
        help="Older image: the rollback counter must be at least its counter, and notes say what changed.",
    )
    policy: FilePath | None = options.policy
    sboms: tuple[str, ...] = option(
        "--sbom",
        metavar="[NAME=]FILE",
        multiple=True,
        help="CycloneDX JSON of a team, of build NAME or of the product, to merge into the SBOM.",
    )
    vex: tuple[FilePath, ...] = option(
        "--vex",
        kind=INPUT,
        multiple=True,
        help="VEX of a team as JSON (CycloneDX, OpenVEX, CSAF), to ship byte for byte in vex/.",
    )
    builder: str | None = option(
        "--builder",
        metavar="URI",
        help="Who runs this, for the provenance, such as the URI of a CI job's definition.",
    )
    index: FilePath | None = option(
        "--index",
        kind=FILE,
        help=f"{INDEX}put the release into it, for gemel audit --find and gemel check --from-device.",
    )
    rehearse: bool = option(
        "--rehearse",
        is_flag=True,
        help="Run the reset code of all cores in an emulated device too (gemel rehearse), and ship its timeline.",
    )
    paths_outside: bool = options.paths_outside
    date_text: str | None = options.date
    disassemble: bool = options.disassemble
    strict: Strict | None = options.strict
    quiet: bool = options.quiet


@sub_command("release", ReleaseArguments, works_long=True)
def command(asked: ReleaseArguments) -> int:
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
    from gemel.cli.signing.key_options import GivenKeys
    from gemel.cli.signing.seal_lines import unsealed_lines
    from gemel.files.folders import refuse_folder
    from gemel.workflows.read_back import read_back_words
    from gemel.workflows.releasing.index import refuse_index, write_release
    from gemel.workflows.releasing.release import make_release

    refuse_folder(asked.folder)
    if asked.index:
        refuse_index(asked.index, asked.folder)
    request = _request(asked)
    with GivenKeys.of(asked) as keys:
        released = make_release(request, keys)
    print_remarks(released.remarks)
    result, done = released.check, []
    shown = Shown(result, silent=asked.quiet and bool(released.files))
    with shown:
        if released.files:
            print_remarks(write_release(asked.folder, released, asked.index))
            files = [("wrote", f"{asked.folder}/{name}") for name in sorted(released.files)]
            done = labelled_lines([*read_back_words(result), *files], shown.width, 0)
            if result.inspection.layout.seal and not asked.key_texts:
                done += unsealed_lines(shown.width, "the same command, with --key KEY.pem and a new folder")
        else:
            print_diagnostic(NOTHING_WRITTEN)
    shown.verdict(done)
    return 0 if released.files else 1


def _request(asked: ReleaseArguments) -> ReleaseRequest:
    from gemel.workflows.releasing.inputs import ReleaseRequest

    found = given(asked.words, USAGE, least=0, most=0)
    return ReleaseRequest(
        layout=layout_of(found),
        builds=found.builds,
        formats=asked.formats or ("hex",),
        memories=asked.memories,
        version=asked.version_text,
        rollback=asked.rollback,
        previous=asked.previous,
        policy=asked.policy,
        sboms=asked.sboms,
        vex=asked.vex,
        builder=asked.builder,
        rehearse=asked.rehearse,
        strict=asked.strict or "",
        disassemble=asked.disassemble,
        date=asked.date_text,
        paths_outside=asked.paths_outside,
    )
