"""``gemel check``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from gemel.cli.declared import argument, option, sub_command
from gemel.cli.parameters import (
    FILE,
    INDEX,
    INPUT,
    INPUTS,
    as_option,
    at_least_option,
    date_option,
    disassemble_option,
    form_option,
    from_device_option,
    paths_outside_option,
    policy_option,
    quiet_option,
    report_option,
    rollback_option,
    several_at_option,
    strict_option,
    trust_option,
    version_option,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gemel.cli.positions import Given
    from gemel.errors import UsageProblem
    from gemel.image.image import Image
    from gemel.inspection.inspection import Strict
    from gemel.layout.reader import ReadLayout
    from gemel.readback.versions import KnownVersion
    from gemel.workflows.reading_back import Dump


USAGE = "[LAYOUT] IMAGE [NAME=BUILD]..."


@sub_command("check", works_long=True)
@argument("words", metavar=USAGE, several=True, kind=INPUTS)
@several_at_option
@from_device_option
@as_option
@disassemble_option
@option(
    "--rehearse",
    "rehearsed",
    is_flag=True,
    help="Run the reset code of all cores in an emulated device too (gemel rehearse).",
)
@version_option("Version that the image must hold.")
@rollback_option("Rollback counter that the image must hold.")
@trust_option("; of those that the layout trusts only these.")
@policy_option
@at_least_option
@option(
    "--previous",
    metavar="IMAGE",
    kind=INPUT,
    help="Older image: the rollback counter must be at least its counter; where it is the same, "
    "the version at least its version.",
)
@option("--index", kind=INPUT, help=f"{INDEX}compare the dump with the versions that it knows.")
@option(
    "--release",
    metavar="FOLDER",
    kind=FILE,
    help="Check this folder of gemel release as a whole, by the layout and the image in it, in place of LAYOUT IMAGE.",
)
@option(
    "--joined-with",
    metavar="LAYOUT",
    kind=INPUT,
    help="Layout that the image was joined with: the tables in which it differs are listed.",
)
@paths_outside_option
@date_option
@strict_option
@form_option("text", "json", "sarif", "junit", "lines", "html")
@report_option
@option("--all", "everything", is_flag=True, help="In text, list every rule and place.")
@quiet_option
def command(
    words: tuple[str, ...],
    starts: tuple[int, ...],
    from_device: bool,
    as_form: str | None,
    disassemble: bool,
    rehearsed: bool,
    version_text: str | None,
    rollback: int | None,
    trust: tuple[Path, ...],
    policy: Path | None,
    at_least: int | None,
    previous: Path | None,
    index: Path | None,
    release: Path | None,
    joined_with: Path | None,
    paths_outside: bool,
    date_text: str | None,
    strict: Strict | None,
    form: str,
    reports: tuple[Path, ...],
    everything: bool,
    quiet: bool,
) -> int:
    """Check an image against its layout, with the builds if they are given.

    Where LAYOUT is left out, gemel.toml in the folder is it; LAYOUT alone checks the layout. A build is given as
    NAME=FILE or by its path in the layout. Every rule ends as holds, broken, not checked or does not apply; what
    only the builds would show is not checked without them. Seals are verified with the public keys that the
    layout trusts. --trust narrows them, and gives them where the layout names none; with it a seal is required,
    and no waiver of the layout applies to what guards the image. --policy does so too, with all that your own
    file requires; with it LAYOUT may be left out, and what record and seal prove alone is checked. --release checks
    a folder of gemel release: its digests, documents and signatures, and its image. --from-device checks what was
    read back from a device, in one file or, of several memories, in several: settings are set aside, and remains of
    another version and an update that stopped half way are found. Files that --report names are written whatever
    the result is. A passing check is evidence, not a safety approval.

    \b
    Example:
      gemel check tide-gauge.toml tide.hex station=station.elf sampler=sampler.elf
    """
    from gemel.cli.positions import MOST_FILES, given, layout_of, refuse_without_image
    from gemel.cli.printing import print_remarks
    from gemel.cli.reporting import give_reports, inputs_among, refuse_reports, reports_of_problems
    from gemel.errors import all_of
    from gemel.workflows.checking import check
    from gemel.workflows.inputs import (
        date_of,
        load_builds,
        load_layout,
        load_layout_and_files,
        read_image,
        read_images,
        version_of,
    )
    from gemel.workflows.trust import load_policy, trust_of

    at = starts[-1] if starts else None
    if index and not from_device:
        raise _only_with_dump()
    refuse_reports(reports, inputs_among(words, policy, index, previous, joined_with, *trust))
    with reports_of_problems(reports):
        if release is not None:
            from gemel.cli.release_check import result_of_folder

            unused: dict[str, object] = {
                "--at": at,
                "--as": as_form,
                "--version": version_text,
                "--rollback": rollback,
                "--previous": previous,
                "--joined-with": joined_with,
                "--rehearse": rehearsed or None,
                "--from-device": from_device or None,
                "--paths-outside": paths_outside or None,
            }
            result = result_of_folder(
                release,
                words,
                reports,
                trust,
                policy,
                unused,
                at_least=at_least,
                disassemble=disassemble,
                strict=strict or "",
                date=date_of(date_text),
            )
            give_reports(result, form, reports, everything, quiet)
            return 0 if result.passes else 1
        found = given(words, USAGE, least=0, most=MOST_FILES if from_device else 1)
        version, date = version_of(version_text), date_of(date_text)
        own_policy = load_policy(policy) if policy else None
        if not found.images:
            asked = [at, as_form, date, version, rollback, policy, at_least, previous, joined_with]
            refuse_without_image(found, [*asked, *trust, *found.builds, rehearsed or None], USAGE)
            return _check_layout(found, form, reports, quiet)
        if found.layout is None and own_policy:
            from gemel.errors import Problem
            from gemel.workflows.checking_alone import check_alone, refuse_without_layout, unverified
            from gemel.workflows.key_inputs import public_keys

            only_with_layout: dict[str, object] = {
                "--version": version,
                "--rollback": rollback,
                "--previous": previous,
                "--joined-with": joined_with,
            }
            only_with_layout |= {
                "--from-device": from_device or None,
                "--rehearse": rehearsed or None,
                "NAME=BUILD": found.builds or None,
            }
            refuse_without_layout([name for name, value in only_with_layout.items() if value is not None])
            loaded = read_image(found.images[0], at=at, form=as_form)
            result = check_alone(loaded, own_policy, public_keys(trust) or None, at_least, date, strict or "")
            print_remarks([Problem(f"without the layout: {unverified(result)}", where=loaded.file)])
        else:
            others = [*found.images, *([previous] if previous else [])]
            layout = layout_of(found, USAGE)
            read, files, remarks = load_layout_and_files(layout, found.builds, paths_outside=paths_outside)
            older: Image | None
            if from_device:
                older = read_image(previous, layout=read, form=as_form) if previous else None
                dump, known = _dump(found.images, read, starts, as_form, index, older)
                builds, trusted = all_of(
                    lambda: load_builds(read, files), lambda: trust_of(read, trust, own_policy)
                )
            else:
                (loaded, *older_ones), builds, trusted = all_of(
                    lambda: read_images(others, read, at, as_form),
                    lambda: load_builds(read, files),
                    lambda: trust_of(read, trust, own_policy),
                )
                older = older_ones[0] if older_ones else None
            print_remarks([*remarks, *trusted.remarks(read)])
            options: dict[str, Any] = {
                "version": version,
                "rollback": rollback,
                "trusted": trusted,
                "previous": older,
                "min_rollback": at_least,
                "disassemble": disassemble,
                "rehearsal": rehearsed or None,
                "today": date,
                "joined_with": load_layout(joined_with) if joined_with else None,
                "strict": strict or "",
            }
            if from_device:
                from gemel.workflows.reading_back import check_dump

                result = check_dump(read, dump, builds, known=known, **options)
            else:
                result = check(read, loaded, builds, **options)
    give_reports(result, form, reports, everything, quiet)
    return 0 if result.passes else 1


def _dump(
    paths: Sequence[Path],
    read: ReadLayout,
    starts: Sequence[int],
    form: str | None,
    index: Path | None,
    older: Image | None,
) -> tuple[Dump, list[KnownVersion]]:
    """The dump, with a remark on what is set aside, and the versions that it is compared with."""
    from gemel.cli.printing import print_remarks
    from gemel.workflows.reading_back import indexed_versions, known_version, read_dump

    dump = read_dump(paths, read, starts, form)
    known, remarks = indexed_versions(index, read) if index else ([], [])
    print_remarks([*dump.remarks, *remarks])
    before = known_version(older, read) if older else None
    return dump, [*known, *([before] if before else [])]


def _only_with_dump() -> UsageProblem:
    from gemel.errors import Problem, UsageProblem

    step = "add --from-device"
    return UsageProblem(Problem("an index is compared with a dump alone", found="--index", next_step=step))


def _check_layout(found: Given, form: str, reports: Sequence[Path], quiet: bool) -> int:
    """Say that the layout is in order; what is wrong with one is raised where it is read."""
    import sys

    from gemel.checking.layout_report import layout_report
    from gemel.cli.positions import layout_of
    from gemel.cli.printing import print_remarks, prose_width
    from gemel.cli.reporting import forms_of, give_forms
    from gemel.workflows.inputs import load_layout

    read = load_layout(layout_of(found, USAGE))
    if read.layout.seal:
        from gemel.errors import UsageProblem
        from gemel.workflows.trust import trusted_keys

        try:
            trusted_keys(read)
        except (
            UsageProblem
        ) as error:  # keys are needed for images alone, and the layout may be there before them
            print_remarks(error.problems)
    width = prose_width(sys.stdout)
    files = {file: layout_report(read, each) for file, each in forms_of(reports).items()}
    give_forms(layout_report(read, form, width), form, files, quiet)
    return 0
