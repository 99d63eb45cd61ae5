"""``gemel check``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.cli.checks import (
    ABOUT_AN_IMAGE,
    CheckArguments,
    folder_result,
    image_result,
    result_without_layout,
)
from gemel.cli.declared import sub_command
from gemel.cli.options import OF_AN_IMAGE
from gemel.cli.positions import MAX_FILES, given, layout_of, refuse_without_image
from gemel.cli.printing import print_remarks, prose_width
from gemel.cli.reporting import forms_of, give_reports, inputs_among, refuse_reports, reports_of_problems
from gemel.cli.results import give_text
from gemel.errors import UsageProblem

if TYPE_CHECKING:
    from gemel.cli.positions import Given


@sub_command("check", CheckArguments, works_long=True)
def command(asked: CheckArguments) -> int:
    """Check an image against its layout, with the builds if they are given.

    Where LAYOUT is left out, gemel.toml in the folder is it; LAYOUT alone checks the layout. A build is given as
    NAME=FILE or by its path in the layout. Every rule ends as holds, broken, not checked or does not apply; what
    only the builds would show is not checked without them. Reports are written whatever the result is. A passing
    check is evidence, not a safety approval.

    Seals are verified with the public keys that the layout trusts. --trust narrows them, or gives them where the
    layout names none; with it a seal is required, and no waiver of the layout applies to rules that guard the image.
    --policy does so too, with all that your own file requires; with it LAYOUT may be left out: then record and seal
    are checked alone.

    --release checks a folder of gemel release: its digests, documents, signatures and image. --from-device checks
    what was read back from a device, one file for each memory: settings are set aside, and remains of another version
    and an interrupted update are found.

    \b
    Example:
      gemel check tide-gauge.toml tide.hex station=station.elf sampler=sampler.elf
    """
    from gemel.workflows.trust import given_policy

    if asked.index and not asked.from_device:
        raise _only_with_dump()
    inputs = asked.policy, asked.index, asked.previous, asked.joined_with, *asked.trust
    refuse_reports(asked.reports, inputs_among(asked.words, *inputs))
    with reports_of_problems("check", asked.reports):
        if asked.release is not None:
            result = folder_result(asked.release, asked)
        else:
            found = given(asked.words, OF_AN_IMAGE, least=0, most=MAX_FILES if asked.from_device else 1)
            policy = given_policy(asked.policy)
            if not found.images:
                refuse_without_image(found, [*asked.among(ABOUT_AN_IMAGE), *found.builds])
                return _check_layout(found, asked)
            if found.layout is None and policy:
                result = result_without_layout(found, asked, policy)
            else:
                result = image_result(found, asked, policy)
    give_reports(result, asked.form, asked.reports, asked.everything, asked.quiet)
    return 0 if result.passes else 1


def _only_with_dump() -> UsageProblem:
    step = "add --from-device"
    return UsageProblem("an index is compared with a dump alone", found="--index", next_step=step)


def _check_layout(found: Given, asked: CheckArguments) -> int:
    """Say that the layout is in order; what is wrong with one is raised where it is read."""
    import sys

    from gemel.checking.layout_report import layout_report
    from gemel.workflows.inputs.layouts import load_layout

    read = load_layout(layout_of(found))
    if read.layout.seal:
        from gemel.workflows.trust import trusted_keys

        try:
            trusted_keys(read)
        except UsageProblem as error:  # images alone need the keys, and the layout may be there before them
            print_remarks(error.problems)
    width = prose_width(sys.stdout)
    files = {file: layout_report(read, each) for file, each in forms_of(asked.reports).items()}
    text, plain = layout_report(read, asked.form, width), asked.form == "text"
    give_text(text, None, asked.quiet, plain, files)
    return 0
