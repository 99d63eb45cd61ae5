"""``gemel check``."""

from __future__ import annotations

from pathlib import Path

from gemel.cli.declared import Choice, IntRange, argument, option, sub_command
from gemel.cli.parameters import ADDRESS, FILE


@sub_command("check")
@argument("layout", kind=FILE)
@argument("image", kind=FILE)
@argument("builds", metavar="[NAME=BUILD]...", several=True)
@option("--at", kind=ADDRESS, help="Where a raw binary goes; else the start of the layout's first flash.")
@option(
    "--format",
    "form",
    kind=Choice(["text", "json", "sarif", "junit"]),
    default="text",
    help="Form of the result on stdout.",
)
@option(
    "--report",
    "reports",
    metavar="FILE",
    multiple=True,
    kind=FILE,
    help="Write the result to this file too, by suffix .txt, .json, .sarif or .xml (JUnit); may be repeated.",
)
@option("--all", "everything", is_flag=True, help="In text, list the rules that hold too.")
@option("--version", "version_text", metavar="X.Y.Z", help="Version that the image must hold.")
@option("--rollback", kind=IntRange(0, 0xFFFF_FFFF), help="Rollback counter that it must hold.")
@option(
    "--trust",
    metavar="PUBKEY",
    multiple=True,
    kind=FILE,
    help="Take seals of this public key; of those that the layout trusts only these. May be repeated.",
)
@option(
    "--at-least",
    metavar="N",
    kind=IntRange(0, 0xFFFF_FFFF),
    help="Lowest rollback counter that the image may have.",
)
@option(
    "--previous",
    metavar="IMAGE",
    kind=FILE,
    help="Older image, whose rollback counter the image may not be below.",
)
@option(
    "--disassemble",
    is_flag=True,
    help="Read the code instruction by instruction for those that its core lacks.",
)
@option(
    "--rehearse",
    "rehearsed",
    is_flag=True,
    help="Run the reset code of all cores in an emulated device too (see gemel rehearse).",
)
def command(
    layout: Path,
    image: Path,
    builds: tuple[str, ...],
    at: int | None,
    form: str,
    reports: tuple[Path, ...],
    everything: bool,
    version_text: str | None,
    rollback: int | None,
    trust: tuple[Path, ...],
    at_least: int | None,
    previous: Path | None,
    disassemble: bool,
    rehearsed: bool,
) -> int:
    """Check an image against its layout, with the builds if they are at hand.

    Every rule ends as holds, broken or not checked; what the builds would tell and are not at hand for is
    not checked, with the reason. Seals are held against the public keys that the layout trusts; --trust
    narrows them, and gives them where the layout names none. Files that --report names are written whether
    rules are broken or not, all of them or none. A passing check is evidence, not a safety approval.

    \b
    Example:
      gemel check tide-gauge.toml tide.hex station=station.elf sampler=sampler.elf
    """
    from gemel.cli.reporting import give_reports, refuse_reports
    from gemel.workflows.checking import check
    from gemel.workflows.inputs import build_files, load_builds, load_layout, read_images, version_of
    from gemel.workflows.trust import trusted_keys

    version = version_of(version_text)
    read = load_layout(layout)
    files = build_files(read.layout, builds)
    refuse_reports(reports, [layout, image, *files.values(), *trust, *([previous] if previous else [])])
    loaded, *others = read_images([image, *([previous] if previous else [])], read, at)
    result = check(
        read,
        loaded,
        load_builds(read, files),
        version=version,
        rollback=rollback,
        trusted=trusted_keys(read, trust),
        previous=others[0] if others else None,
        min_rollback=at_least,
        disassemble=disassemble,
        rehearsal=rehearsed or None,
    )
    give_reports(result, form, reports, everything)
    return 0 if result.passes else 1
