"""``gemel rehearse``."""

from __future__ import annotations

import sys
from pathlib import Path

from gemel.cli.declared import Choice, IntRange, argument, option, sub_command
from gemel.cli.parameters import INPUTS, as_option, at_option, form_option, quiet_option, result_option
from gemel.errors import all_of
from gemel.layout.rehearsal_model import MAX_BUDGET

USAGE = "[LAYOUT] IMAGE [NAME=BUILD]..."


@sub_command("rehearse", works_long=True, exits="0 the rehearsal passes; 1 it fails")
@argument("words", metavar=USAGE, several=True, kind=INPUTS)
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
    help="Try so many other orders of the cores' instructions too; the result is the worst.",
)
@form_option("text", "json", "svg", "lines")
@result_option("; .json, .svg by suffix")
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
    output: Path | None,
    everything: bool,
    quiet: bool,
) -> int:
    """Run the reset code of both cores from an image in an emulated device, and say what happened.

    The primary starts as hardware does; the secondary where the primary releases it. With the builds' ELF
    files every finding names function and source line. Passing is evidence, not proof: what is not modelled
    is listed in every result.

    \b
    Example:
      gemel rehearse tide-gauge.toml tide.hex station=station.elf sampler=sampler.elf
    """
    from gemel.checking.identity import identity_of
    from gemel.cli.positions import given, layout_of
    from gemel.cli.printing import print_remarks, prose_width
    from gemel.cli.results import form_by_suffix, give_text
    from gemel.files.output_targets import refuse_targets
    from gemel.inspection.inspection import Inspection
    from gemel.workflows.inputs import load_builds, load_layout_and_files, read_image
    from gemel.workflows.rehearsing import rehearse

    found = given(words, USAGE)
    form = form_by_suffix(output, form, "json", "svg")
    layout, image = layout_of(found, USAGE), found.images[0]
    read, files, remarks = load_layout_and_files(layout, found.builds)
    refuse_targets([output] if output else [], [layout, image, *files.values()])
    loaded, builds_given = all_of(
        lambda: read_image(image, layout=read, at=at, form=as_form), lambda: load_builds(read, files)
    )
    print_remarks(remarks)
    rehearsal = rehearse(
        read, loaded, builds_given, budget=budget, watches=watches, interleavings=interleavings
    )
    identity = identity_of(
        Inspection(read, loaded.data, builds_given, file=loaded.file, image_file=loaded.read_from),
        options=[
            *([f"--budget {budget}"] if budget is not None else []),
            *(f"--watch {watch}" for watch in watches),
            *([f"--interleavings {interleavings}"] if interleavings else []),
        ],
    )
    if form == "json":
        from gemel.rehearsal.reports.json import report

        text = f"{report(rehearsal, identity)}\n"
    elif form == "svg":
        from gemel.rehearsal.reports.svg import picture_of

        text = picture_of(rehearsal)
    elif form == "lines":
        from gemel.rehearsal.reports.lines import report as lines_report

        text = lines_report(rehearsal, read)
    else:
        from gemel.rehearsal.reports.text import report_of

        width = 80 if output else prose_width(sys.stdout)
        lines = report_of(rehearsal, identity, width=width, everything=everything or output is not None)
        text = "".join(f"{line}\n" for line in lines)
    give_text(text, output, quiet and rehearsal.passes, plain=form == "text")
    return 0 if rehearsal.passes else 1
