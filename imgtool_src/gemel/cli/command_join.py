"""``gemel join``."""

from __future__ import annotations

from pathlib import Path

import click

from gemel.cli.parameters import FILE


@click.command("join")
@click.argument("layout", type=FILE)
@click.argument("builds", metavar="[NAME=BUILD]...", nargs=-1)
@click.option(
    "-o",
    "--output",
    "outputs",
    metavar="IMAGE",
    multiple=True,
    required=True,
    type=FILE,
    help="Image to write, by suffix .hex, .srec or .bin; may be given several times.",
)
@click.option("--version", "version_text", metavar="X.Y.Z", help="Version of the image; else the layout's.")
@click.option(
    "--rollback",
    type=click.IntRange(0, 0xFFFF_FFFF),
    help="Rollback counter of the image; else the layout's.",
)
def command(
    layout: Path,
    builds: tuple[str, ...],
    outputs: tuple[Path, ...],
    version_text: str | None,
    rollback: int | None,
) -> int:
    """Join the builds of a layout into one flash image.

    The image is checked before it is written; one that breaks a rule is not written. A build is given as
    NAME=FILE, or by its path in the layout.

    \b
    Example:
      gemel join tide-gauge.toml station=station.elf sampler=sampler.elf -o tide.hex -o tide.bin
    """
    from gemel.cli.encoding import encoded, refuse_suffixes
    from gemel.cli.files import build_files, load_builds, load_layout, version_of
    from gemel.cli.joining import contents_of, joined_and_checked
    from gemel.cli.output_targets import refuse_targets
    from gemel.cli.outputs import write_all
    from gemel.cli.printing import print_done, print_remarks

    version = version_of(version_text)
    refuse_suffixes(outputs)
    read = load_layout(layout)
    files = build_files(read.layout, builds, layout.parent)
    refuse_targets(outputs, [layout, *files.values()])
    handed = load_builds(read.layout, files)
    for build in handed.values():
        print_remarks(build.remarks)
    joined, result = joined_and_checked(read, handed, version, rollback)
    if not result.passes:
        click.echo("nothing was written", err=True)
        return 1
    click.echo("\n".join(contents_of(joined)))
    write_all({path: encoded(path, joined.image, read.layout, joined.entry) for path in outputs})
    print_done(f"wrote {', '.join(str(path) for path in outputs)}")
    return 0
