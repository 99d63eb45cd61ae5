"""``gemel rehearse``."""

from __future__ import annotations

import sys

from gemel.cli.declared import Choice, IntRange, argument, option, sub_command
from gemel.cli.parameters import (
    INPUTS,
    OF_AN_IMAGE,
    as_option,
    at_option,
    form_option,
    quiet_option,
    report_option,
    result_option,
)
from gemel.errors import all_of
from gemel.files.paths import FilePath
from gemel.layout.rehearsal_model import MAX_BUDGET

FORMS = "text", "json", "svg", "sarif", "junit", "html", "lines"


@sub_command("rehearse", works_long=True, exits="0 the rehearsal passes; 1 it fails")
@argument("words", metavar=OF_AN_IMAGE, several=True, kind=INPUTS)
@at_option
@as_option
@option(
    "--budget",
    kind=IntRange(1, MAX_BUDGET),
    help="Instructions that each core may take; else the layout's, else 20,000,000.",
)
@option(
    "--watch",
    "watches",
    multiple=True,
    kind=Choice(["reads", "alignment"]),
    help="Also watch every access for: reads of RAM that nobody wrote; unaligned accesses. Slower.",
)
@option(
    "--interleavings",
    kind=IntRange(0, 1000),
    default=0,
    help="Try this many other orders of the cores' instructions too; the result is the worst.",
)
@form_option(*FORMS)
@result_option("; .json, .svg, .sarif, .xml (JUnit), .html by suffix")
@report_option
@option("--all", "everything", is_flag=True, help="In text, list what is not modelled too.")
@quiet_option
def command(
    words: tuple[str, ...],
    at: int | None,
    as_form: str | None,
    budget: int | None,
    watches: tuple[str, ...],
    interleavings: int,
    form: str,
    output: FilePath | None,
    reports: tuple[FilePath, ...],
    everything: bool,
    quiet: bool,
) -> int:
    """Run the reset code of both cores from an image in an emulated device, and say what happened.

    The primary starts as hardware does; the secondary where the primary releases it. With the builds' ELF
    files every finding names function and source line. Passing is evidence, not proof: what is not modelled
    is listed with --all and in every report file.

    \b
    Example:
      gemel rehearse tide-gauge.toml tide.hex station=station.elf sampler=sampler.elf
    """
    from gemel.cli.positions import given, layout_of
    from gemel.cli.printing import print_remarks, prose_width
    from gemel.cli.reporting import forms_of, inputs_among, refuse_reports, reports_of_problems
    from gemel.cli.results import form_by_suffix, give_text
    from gemel.files.output_targets import refuse_targets
    from gemel.inspection.inspection import Inspection
    from gemel.workflows.describing import keys_of
    from gemel.workflows.inputs.builds import load_builds, without_others
    from gemel.workflows.inputs.images import read_image
    from gemel.workflows.inputs.layouts import load_layout_and_files
    from gemel.workflows.rehearsal_forms import rehearsal_text
    from gemel.workflows.rehearsing import rehearse

    outputs = [output] if output else []
    refuse_reports(reports, inputs_among(words))
    with reports_of_problems("rehearse", reports):
        found = given(words, OF_AN_IMAGE)
        form = form_by_suffix(output, form, *FORMS[1:-1])
        layout, image = layout_of(found, OF_AN_IMAGE), found.images[0]
        read, files, remarks = load_layout_and_files(layout, found.builds)
        refuse_targets([*outputs, *reports], [layout, image, *files.values()])
        loaded, builds_given = all_of(
            lambda: read_image(image, layout=read, at=at, form=as_form), lambda: load_builds(read, files)
        )
        print_remarks([*remarks, *without_others(read, loaded, found.builds, files, builds_given)])
        rehearsal = rehearse(
            read, loaded, builds_given, budget=budget, watches=watches, interleavings=interleavings
        )
    inspection = Inspection(
        read,
        loaded.data,
        builds_given,
        rehearsal=rehearsal,
        trusted=keys_of(read)[0],
        file=loaded.file,
        entry=loaded.entry,
        image_file=loaded.read_from,
        command="rehearse",
        options=(
            *([f"--budget {budget}"] if budget is not None else []),
            *(f"--watch {watch}" for watch in watches),
            *([f"--interleavings {interleavings}"] if interleavings else []),
        ),
    )
    width = 80 if output else prose_width(sys.stdout)
    text = rehearsal_text(
        rehearsal, inspection, form, width=width, everything=everything or output is not None
    )
    texts = {file: rehearsal_text(rehearsal, inspection, each) for file, each in forms_of(reports).items()}
    give_text(text, output, quiet and rehearsal.passes, form == "text", texts)
    return 0 if rehearsal.passes else 1
