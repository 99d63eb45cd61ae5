"""What ``gemel check`` judges: an image by its layout, a dump, record and seal alone, or a release folder."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

from gemel.cli import options
from gemel.cli.declared import FILE, INPUT, option
from gemel.cli.options import INDEX
from gemel.cli.positions import layout_of
from gemel.cli.printing import print_remarks
from gemel.errors import Problem, UsageProblem, all_of
from gemel.files.paths import FilePath
from gemel.structs import Struct, fields

if TYPE_CHECKING:
    import datetime

    from gemel.cli.positions import Given
    from gemel.image.image import Image
    from gemel.inspection.inspection import Strict
    from gemel.layout.reader import ReadLayout
    from gemel.placement.placed import Version
    from gemel.policy.reader import ReadPolicy
    from gemel.readback.versions import KnownVersion
    from gemel.workflows.checking import CheckResult
    from gemel.workflows.reading_back import Dump

NOT_ALONE = frozenset(
    ("--version", "--rollback", "--previous", "--joined-with", "--from-device", "--rehearse")
)
"""Options that need the layout."""

ABOUT_AN_IMAGE = NOT_ALONE | {"--at", "--as", "--date", "--policy", "--at-least", "--trust"}
"""Options that say nothing where a layout alone is checked."""

NOT_OF_A_FOLDER = frozenset(("--joined-with", "--from-device", "--at", "--as", "--paths-outside"))
"""Options that a release folder has no use for: what they say is in it."""


class CheckArguments(Struct, kw_only=True):
    """The words and options of ``gemel check``."""

    words: tuple[str, ...] = options.image_words
    starts: tuple[int, ...] = options.several_at
    from_device: bool = options.from_device
    as_form: str | None = options.as_form
    disassemble: bool = options.disassemble
    rehearsed: bool = option(
        "--rehearse",
        is_flag=True,
        help="Run the reset code of all cores in an emulated device too (gemel rehearse).",
    )
    version_text: str | None = options.version("Version that the image must hold.")
    rollback: int | None = options.rollback("Rollback counter that the image must hold.")
    trust: tuple[FilePath, ...] = options.trust("; of those that the layout trusts only these.")
    policy: FilePath | None = options.policy
    at_least: int | None = options.at_least
    previous: FilePath | None = option(
        "--previous",
        metavar="IMAGE",
        kind=INPUT,
        help="Older image: the rollback counter must be at least its counter; where it is the same, "
        "the version at least its version.",
    )
    index: FilePath | None = option(
        "--index", kind=INPUT, help=f"{INDEX}compare the dump with the versions that it knows."
    )
    release: FilePath | None = option(
        "--release",
        metavar="FOLDER",
        kind=FILE,
        help="Check this folder of gemel release as a whole, by the layout and the image in it, in place of LAYOUT "
        "IMAGE.",
    )
    joined_with: FilePath | None = option(
        "--joined-with",
        metavar="LAYOUT",
        kind=INPUT,
        help="Layout that the image was joined with: the tables in which it differs are listed.",
    )
    paths_outside: bool = options.paths_outside
    date_text: str | None = options.date
    strict: Strict | None = options.strict
    form: str = options.form("text", "json", "sarif", "junit", "lines", "html")
    reports: tuple[FilePath, ...] = options.report
    everything: bool = options.everything
    quiet: bool = options.quiet

    def among(self, words: frozenset[str]) -> list[str]:
        """The options of ``words`` that are given."""
        declared = ((name, each.default) for name, each in fields(self).items())
        given = (each for name, each in declared if getattr(self, name) != each.absent)
        return [word for each in given for word in each.words if word in words]

    @property
    def at(self) -> int | None:
        """Where one raw binary is read."""
        return self.starts[-1] if self.starts else None

    @property
    def version(self) -> Version | None:
        """The version that the image must hold; raises UsageProblem."""
        from gemel.workflows.inputs.values import version_of

        return version_of(self.version_text)

    @property
    def date(self) -> datetime.date | None:
        """The day of the check; raises UsageProblem."""
        from gemel.workflows.inputs.values import date_of

        return date_of(self.date_text)


def folder_result(folder: FilePath, asked: CheckArguments) -> CheckResult:
    """The check of a release folder, in place of layout and image.

    Raises UsageProblem for words that are no builds, for options given and for reports inside the folder.
    """
    from gemel.files.inside import leads_outside
    from gemel.workflows.releasing.received import check_release
    from gemel.workflows.trust import given_policy

    given = [word for word in asked.words if "=" not in word] + asked.among(NOT_OF_A_FOLDER)
    if given:
        what, step = "--release reads layout and image from the folder", "leave it out"
        raise UsageProblem(
            what, found=" ".join(given), expected="--release FOLDER [NAME=BUILD]...", next_step=step
        )

    inside = [
        str(report) for report in asked.reports if not leads_outside(folder, os.path.realpath(report), "")
    ]
    if inside:
        what, step = "a report would change the folder that is checked", "write it elsewhere"
        raise UsageProblem(what, where="--report", found=", ".join(inside), next_step=step)
    result = check_release(
        folder,
        list(asked.words),
        trust=asked.trust,
        policy=given_policy(asked.policy),
        version=asked.version,
        rollback=asked.rollback,
        at_least=asked.at_least,
        previous=asked.previous,
        disassemble=asked.disassemble,
        rehearsal=asked.rehearsed,
        strict=asked.strict or "",
        today=asked.date,
    )
    if result.inspection.trusted and not result.inspection.receiver.demands_seal:
        what = "the keys came with the folder: they show that it fits together, not whose it is"
        step = "give the key that you have from its owner with --trust PUBKEY, or --policy FILE"
        print_remarks([Problem(what, where=str(folder), next_step=step)])
    return result


def result_without_layout(found: Given, asked: CheckArguments, policy: ReadPolicy) -> CheckResult:
    """What record and seal prove by the receiver's policy; raises UsageProblem for what needs the layout."""
    from gemel.workflows.checking_alone import check_alone, refuse_without_layout, unverified
    from gemel.workflows.inputs.images import read_image
    from gemel.workflows.inputs.keys import public_keys

    refuse_without_layout([*asked.among(NOT_ALONE), *(["NAME=BUILD"] if found.builds else [])])
    loaded = read_image(found.images[0], at=asked.at, form=asked.as_form)
    keys = public_keys(asked.trust) or None
    result = check_alone(loaded, policy, keys, asked.at_least, asked.date, asked.strict or "")
    print_remarks([Problem(f"without the layout: {unverified(result)}", where=loaded.file)])
    return result


def image_result(found: Given, asked: CheckArguments, policy: ReadPolicy | None) -> CheckResult:
    """The check of an image or of a dump by its layout."""
    from gemel.workflows.checking import check
    from gemel.workflows.inputs.builds import load_builds
    from gemel.workflows.inputs.images import read_image, read_images
    from gemel.workflows.inputs.layouts import load_layout, load_layout_and_files
    from gemel.workflows.trust import trust_of

    version, date, form, previous = asked.version, asked.date, asked.as_form, asked.previous
    layout = layout_of(found)
    read, files, remarks = load_layout_and_files(layout, found.builds, paths_outside=asked.paths_outside)
    older: Image | None
    if asked.from_device:
        older = read_image(previous, layout=read, form=form) if previous else None
        dump, known = _dump(found, read, asked, older)
        builds, trusted = all_of(
            lambda: load_builds(read, files), lambda: trust_of(read, asked.trust, policy)
        )
    else:
        paths = [*found.images, *([previous] if previous else [])]
        (loaded, *others), builds, trusted = all_of(
            lambda: read_images(paths, read, asked.at, form),
            lambda: load_builds(read, files),
            lambda: trust_of(read, asked.trust, policy),
        )
        older = others[0] if others else None
    print_remarks([*remarks, *trusted.remarks(read)])
    options: dict[str, Any] = {
        "version": version,
        "rollback": asked.rollback,
        "trusted": trusted,
        "previous": older,
        "min_rollback": asked.at_least,
        "disassemble": asked.disassemble,
        "rehearsal": asked.rehearsed or None,
        "today": date,
        "joined_with": load_layout(asked.joined_with) if asked.joined_with else None,
        "strict": asked.strict or "",
    }
    if asked.from_device:
        from gemel.workflows.reading_back import check_dump

        return check_dump(read, dump, builds, known=known, **options)
    result = check(read, loaded, builds, **options)
    if older:
        from gemel.inspection.previous import reused_version

        print_remarks(reused_version(result.inspection.previous, result.inspection.record))
    return result


def _dump(
    found: Given, read: ReadLayout, asked: CheckArguments, older: Image | None
) -> tuple[Dump, list[KnownVersion]]:
    """The dump, with a remark on what is set aside, and the versions that it is compared with."""
    from gemel.workflows.reading_back import indexed_versions, known_version, read_dump

    dump = read_dump(found.images, read, asked.starts, asked.as_form)
    known, remarks = indexed_versions(asked.index, read) if asked.index else ([], [])
    print_remarks([*dump.remarks, *remarks])
    before = known_version(older, read) if older else None
    return dump, [*known, *([before] if before else [])]
