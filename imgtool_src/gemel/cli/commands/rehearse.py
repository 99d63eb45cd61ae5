"""``gemel rehearse``."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING

from gemel.cli import options
from gemel.cli.declared import Choice, IntRange, option, sub_command
from gemel.cli.options import OF_AN_IMAGE
from gemel.cli.positions import given, layout_of
from gemel.cli.printing import print_remarks, prose_width
from gemel.cli.reporting import forms_of, inputs_among, refuse_reports, reports_of_problems
from gemel.cli.results import form_by_suffix, give_text
from gemel.errors import all_of
from gemel.files.paths import FilePath
from gemel.layout.rehearsal_model import MAX_BUDGET
from gemel.structs import Struct

if TYPE_CHECKING:
    from gemel.builds.build import Build
    from gemel.image.image import Image
    from gemel.inspection.inspection import Inspection
    from gemel.layout.reader import ReadLayout
    from gemel.rehearsal.result import Rehearsal

FORMS = "text", "json", "svg", "sarif", "junit", "html", "lines"


class RehearseArguments(Struct, kw_only=True):
    """The words and options of ``gemel rehearse``."""

    words: tuple[str, ...] = options.image_words
    at: int | None = options.at
    as_form: str | None = options.as_form
    paths_outside: bool = options.paths_outside
    budget: int | None = option(
        "--budget",
        kind=IntRange(1, MAX_BUDGET),
        help="Instructions that each core may take; else the layout's, else 20,000,000.",
    )
    watches: tuple[str, ...] = option(
        "--watch",
        multiple=True,
        kind=Choice(["reads", "alignment"]),
        help="Also watch every access for: reads of RAM that nobody wrote; unaligned accesses. Slower.",
    )
    interleavings: int = option(
        "--interleavings",
        kind=IntRange(0, 1000),
        default=0,
        help="Try this many other orders of the cores' instructions too; the result is the worst.",
    )
    form: str = options.form(*FORMS)
    output: FilePath | None = options.result("; .json, .svg, .sarif, .xml (JUnit), .html by suffix")
    reports: tuple[FilePath, ...] = options.report
    everything: bool = option("--all", is_flag=True, help="In text, list what is not modelled too.")
    quiet: bool = options.quiet


@sub_command("rehearse", RehearseArguments, works_long=True, exits="0 the rehearsal passes; 1 it fails")
def command(asked: RehearseArguments) -> int:
    """Run the reset code of both cores from an image in an emulated device, and say what happened.

    The primary starts as hardware does; the secondary where the primary releases it. With the builds' ELF
    files every finding names function and source line. Passing is evidence, not proof: what is not modelled
    is listed with --all and in every report file.

    \b
    Example:
      gemel rehearse tide-gauge.toml tide.hex station=station.elf sampler=sampler.elf
    """
    from gemel.files.output_targets import refuse_targets
    from gemel.workflows.inputs.builds import load_builds, without_others
    from gemel.workflows.inputs.images import read_image
    from gemel.workflows.inputs.layouts import load_layout_and_files
    from gemel.workflows.rehearsal_forms import rehearsal_text
    from gemel.workflows.rehearsing import rehearse

    outputs = [asked.output] if asked.output else []
    refuse_reports(asked.reports, inputs_among(asked.words))
    with reports_of_problems("rehearse", asked.reports):
        found = given(asked.words, OF_AN_IMAGE)
        form = form_by_suffix(asked.output, asked.form, *FORMS[1:-1])
        layout, image = layout_of(found), found.images[0]
        read, files, remarks = load_layout_and_files(layout, found.builds, paths_outside=asked.paths_outside)
        refuse_targets([*outputs, *asked.reports], [layout, image, *files.values()])
        loaded, builds_given = all_of(
            lambda: read_image(image, layout=read, at=asked.at, form=asked.as_form),
            lambda: load_builds(read, files),
        )
        print_remarks([*remarks, *without_others(read, loaded, found.builds, files, builds_given)])
        rehearsal = rehearse(
            read,
            loaded,
            builds_given,
            budget=asked.budget,
            watches=asked.watches,
            interleavings=asked.interleavings,
        )
    inspection = _inspection(asked, read, loaded, builds_given, rehearsal)
    width = 80 if asked.output else prose_width(sys.stdout)
    text = rehearsal_text(
        rehearsal, inspection, form, width=width, everything=asked.everything or asked.output is not None
    )
    texts = {
        file: rehearsal_text(rehearsal, inspection, each) for file, each in forms_of(asked.reports).items()
    }
    give_text(text, asked.output, asked.quiet and rehearsal.passes, form == "text", texts)
    return 0 if rehearsal.passes else 1


def _inspection(
    asked: RehearseArguments,
    read: ReadLayout,
    loaded: Image,
    builds: Mapping[str, Build],
    rehearsal: Rehearsal,
) -> Inspection:
    """What the reports say of the image besides the rehearsal."""
    from gemel.inspection.inspection import Inspection
    from gemel.workflows.describing import keys_of

    return Inspection(
        read,
        loaded.data,
        builds,
        rehearsal=rehearsal,
        trusted=keys_of(read)[0],
        file=loaded.file,
        entry=loaded.entry,
        image_file=loaded.read_from,
        command="rehearse",
        options=(
            *([f"--budget {asked.budget}"] if asked.budget is not None else []),
            *(f"--watch {watch}" for watch in asked.watches),
            *([f"--interleavings {asked.interleavings}"] if asked.interleavings else []),
        ),
    )
