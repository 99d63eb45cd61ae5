"""``gemel check``."""

from __future__ import annotations

from pathlib import Path

import click

from gemel.cli.parameters import FILE, address


@click.command("check")
@click.argument("layout", type=FILE)
@click.argument("image", type=FILE)
@click.argument("builds", metavar="[NAME=BUILD]...", nargs=-1)
@click.option(
    "--at", type=address, help="Where a raw binary goes; else the start of the layout's first flash."
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json"]),
    default="text",
    help="Form of the result on stdout.",
)
@click.option("--all", "everything", is_flag=True, help="In text, list the rules that hold too.")
@click.option("--version", "version_text", metavar="X.Y.Z", help="Version that the image must hold.")
@click.option("--rollback", type=click.IntRange(0, 0xFFFF_FFFF), help="Rollback counter that it must hold.")
def command(
    layout: Path,
    image: Path,
    builds: tuple[str, ...],
    at: int | None,
    form: str,
    everything: bool,
    version_text: str | None,
    rollback: int | None,
) -> int:
    """Check an image against its layout, with the builds if they are at hand.

    Every rule ends as holds, broken or not checked; what the builds would tell and are not at hand for is
    not checked, with the reason. A passing check is evidence, not a safety approval.

    \b
    Example:
      gemel check tide-gauge.toml tide.hex station=station.elf sampler=sampler.elf
    """
    from gemel.check.runner import check
    from gemel.check.subject import Subject
    from gemel.cli.files import build_files, load_builds, load_image, load_layout, version_of
    from gemel.cli.joining import today

    version = version_of(version_text)
    read = load_layout(layout)
    decoded = load_image(image, read.layout, at)
    handed = load_builds(read.layout, build_files(read.layout, builds))
    subject = Subject(read, decoded.image, handed, version, rollback, decoded.remarks)
    result = check(subject, today())
    if form == "json":
        from gemel.check.report_json import report

        # JSON is UTF-8 whatever the terminal's encoding; a name that is no text keeps its bytes as escapes.
        click.echo(report(result, subject, image.name).encode("utf-8", "backslashreplace"))
    else:
        from gemel.check.report_text import report_of

        click.echo("\n".join(report_of(result, everything=everything)))
    return 0 if result.passes else 1
