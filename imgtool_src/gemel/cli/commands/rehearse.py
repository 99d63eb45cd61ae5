"""``gemel rehearse``."""

from __future__ import annotations

from pathlib import Path

from gemel.cli.declared import Choice, IntRange, argument, option, sub_command
from gemel.cli.echo import echo
from gemel.cli.parameters import ADDRESS, FILE
from gemel.layout.rehearsal_model import MAX_BUDGET


@sub_command("rehearse")
@argument("layout", kind=FILE)
@argument("image", kind=FILE)
@argument("builds", metavar="[NAME=BUILD]...", several=True)
@option("--at", kind=ADDRESS, help="Where a raw binary goes; else the start of the layout's first flash.")
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
@option(
    "--format",
    "form",
    kind=Choice(["text", "json", "svg"]),
    default="text",
    help="Form of the result on stdout.",
)
def command(
    layout: Path,
    image: Path,
    builds: tuple[str, ...],
    at: int | None,
    budget: int | None,
    watches: tuple[str, ...],
    interleavings: int,
    form: str,
) -> int:
    """Run the reset code of both cores from an image in an emulated device, and say what happened.

    The primary starts as hardware does; the secondary where the primary releases it. With the builds' ELF
    files every finding names function and source line. Passing is evidence, not proof: what is not modelled
    is listed in every result.

    \b
    Example:
      gemel rehearse tide-gauge.toml tide.hex station=station.elf sampler=sampler.elf
    """
    from gemel.workflows.inputs import build_files, load_builds, load_layout, read_image
    from gemel.workflows.rehearsing import rehearse

    read = load_layout(layout)
    loaded = read_image(image, layout=read, at=at)
    given = load_builds(read, build_files(read, builds))
    rehearsal = rehearse(read, loaded, given, budget=budget, watches=watches, interleavings=interleavings)
    if form == "json":
        from gemel.rehearsal.reports.json import report

        echo(report(rehearsal, image.name))
    elif form == "svg":
        from gemel.rehearsal.reports.svg import picture_of

        echo(picture_of(rehearsal).encode("utf-8"), nl=False)
    else:
        from gemel.rehearsal.reports.text import report_of

        echo("\n".join(report_of(rehearsal)))
    return 0 if rehearsal.passes else 1
