"""``gemel check``."""

from __future__ import annotations

from pathlib import Path

from gemel.cli.declared import Choice, IntRange, argument, option, sub_command
from gemel.cli.parameters import ADDRESS, FILE, date_option, disassemble_option, paths_outside_option


@sub_command("check")
@argument("layout", kind=FILE, required=False)
@argument("image", kind=FILE, required=False)
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
    help="Require a seal by this public key; of those that the layout trusts only these. May be repeated.",
)
@option(
    "--policy",
    metavar="FILE",
    kind=FILE,
    help="Hold the image to this policy of your own too (gemel explain policy).",
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
    "--release",
    metavar="FOLDER",
    kind=FILE,
    help="Check this release folder as a whole, in place of LAYOUT and IMAGE, by the layout and the image in it.",
)
@paths_outside_option
@date_option
@disassemble_option
@option(
    "--rehearse",
    "rehearsed",
    is_flag=True,
    help="Run the reset code of all cores in an emulated device too (see gemel rehearse).",
)
def command(
    layout: Path | None,
    image: Path | None,
    builds: tuple[str, ...],
    at: int | None,
    form: str,
    reports: tuple[Path, ...],
    everything: bool,
    version_text: str | None,
    rollback: int | None,
    trust: tuple[Path, ...],
    policy: Path | None,
    at_least: int | None,
    previous: Path | None,
    release: Path | None,
    paths_outside: bool,
    date_text: str | None,
    disassemble: bool,
    rehearsed: bool,
) -> int:
    """Check an image against its layout, with the builds if they are at hand.

    Every rule ends as holds, broken or not checked; what the builds would tell and are not at hand for is
    not checked, with the reason. Seals are verified with the public keys that the layout trusts. --trust
    narrows them, and gives them where the layout names none; with it a seal is required, whatever the layout
    says, and no waiver of the layout opens what guards the image. --policy does so too, with all that your
    own file demands; with it LAYOUT may be left out, and what record and seal prove alone is checked. Files
    that --report names are written whether rules are broken or not, all of them or none. The code is read too
    where the disassembler is installed: with the ELF files at the cost of some milliseconds, of an image alone at
    about a second a MiB. --release checks a folder of gemel release instead: its digests, its documents, its
    signatures and its image. A passing check is evidence, not a safety approval.

    \b
    Example:
      gemel check tide-gauge.toml tide.hex station=station.elf sampler=sampler.elf
    """
    from gemel.cli.reporting import give_reports, refuse_reports
    from gemel.workflows.checking import check
    from gemel.workflows.checking_alone import check_alone, is_image_name, refuse_without_layout
    from gemel.workflows.inputs import (
        build_files,
        date_of,
        load_builds,
        load_layout,
        read_image,
        read_images,
        version_of,
    )
    from gemel.workflows.key_inputs import public_keys
    from gemel.workflows.trust import load_policy, trust_of

    version, date = version_of(version_text), date_of(date_text)
    if release is not None:
        from gemel.cli.release_check import result_of_folder

        words = [*(str(word) for word in (layout, image) if word), *builds]
        unused: dict[str, object] = {
            "--at": at,
            "--version": version,
            "--rollback": rollback,
            "--previous": previous,
        }
        unused |= {"--rehearse": rehearsed, "--paths-outside": paths_outside}
        result = result_of_folder(
            release,
            words,
            reports,
            trust,
            policy,
            unused,
            at_least=at_least,
            disassemble=disassemble,
            strict="",
            date=date,
        )
        give_reports(result, form, reports, everything)
        return 0 if result.passes else 1
    if layout is None:
        from gemel.cli.with_click import missing_argument

        raise missing_argument(command, "LAYOUT")
    own_policy = load_policy(policy) if policy else None
    if image is None or (own_policy and is_image_name(layout)):
        if own_policy is None:
            from gemel.cli.with_click import missing_argument

            raise missing_argument(command, "IMAGE")
        named = {"IMAGE": image, "--version": version, "--rollback": rollback, "--previous": previous}
        named |= {"--rehearse": rehearsed or None}
        refuse_without_layout([name for name, value in named.items() if value is not None])
        refuse_reports(reports, [layout, *trust, *([policy] if policy else [])])
        loaded = read_image(layout, at=at)
        alone = check_alone(loaded, own_policy, public_keys(trust), at_least, date)
        give_reports(alone, form, reports, everything)
        return 0 if alone.passes else 1
    read = load_layout(layout, paths_outside=paths_outside)
    files = build_files(read, builds)
    further = [each for each in (previous, policy) if each]
    refuse_reports(reports, [layout, image, *files.values(), *trust, *further])
    loaded, *others = read_images([image, *([previous] if previous else [])], read, at)
    result = check(
        read,
        loaded,
        load_builds(read, files),
        version=version,
        rollback=rollback,
        trusted=trust_of(read, trust, own_policy),
        previous=others[0] if others else None,
        min_rollback=at_least,
        disassemble=disassemble,
        rehearsal=rehearsed or None,
        today=date,
    )
    give_reports(result, form, reports, everything)
    return 0 if result.passes else 1
