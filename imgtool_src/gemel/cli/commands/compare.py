"""``gemel compare``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from gemel.cli.declared import argument, option, sub_command
from gemel.cli.parameters import (
    INPUT,
    INPUTS,
    as_option,
    at_option,
    form_option,
    from_device_option,
    result_option,
)
from gemel.errors import Problem, UsageProblem, all_of
from gemel.files.paths import FilePath

if TYPE_CHECKING:
    from gemel.builds.build import Build
    from gemel.comparing.changes import Comparison
    from gemel.layout.model import Layout


@sub_command("compare", works_long=True, exits="0 the images are the same; 1 they differ")
@argument("words", metavar="[LAYOUT] OLD NEW [[old:]NAME=BUILD]...", several=True, kind=INPUTS)
@at_option
@as_option
@option(
    "--old-layout",
    metavar="LAYOUT",
    kind=INPUT,
    help="Layout that the old image was joined with, where that is another one.",
)
@from_device_option
@option("--all", "everything", is_flag=True, help="In text, list everything that differs, however long.")
@form_option("text", "json", "html")
@result_option("; .json, .html by suffix")
def command(
    words: tuple[str, ...],
    at: int | None,
    as_form: str | None,
    old_layout: FilePath | None,
    from_device: bool,
    everything: bool,
    form: str,
    output: FilePath | None,
) -> int:
    """Compare two images: what changed, and what must be programmed.

    Shown are changes by area, erase block, vector table, record field and signer; with the ELF files of both
    images (old:NAME=BUILD and NAME=BUILD) also by section, function and object, and the contract's types: where
    an old and a new core would read what they share differently, that comes first. A build that the layout names by
    its path is one of the new image where its build id is the record's. What only moved is counted, not listed.
    As HTML: one page for a browser, each memory drawn old next to new, what must be programmed marked.
    With --from-device either may be a dump of a device: what the device writes itself is left out of both. LAYOUT
    ends in .toml; where it is left out, gemel.toml in the folder is used if it is there.

    \b
    Example:
      gemel compare tide-gauge.toml tide.hex tide.bin
    """
    from gemel.cli.printing import print_remarks
    from gemel.cli.results import form_by_suffix
    from gemel.files.output_targets import refuse_targets
    from gemel.structs import replace
    from gemel.workflows.comparing import compare, refuse_builds
    from gemel.workflows.describing import keys_of
    from gemel.workflows.inputs.builds import OLD, build_files, builds_of_image, load_builds
    from gemel.workflows.inputs.images import read_images
    from gemel.workflows.inputs.layouts import load_layout

    layout, images, builds = _sorted(words)
    of_old = [text.removeprefix(OLD) for text in builds if text.startswith(OLD)]
    of_new = [text for text in builds if not text.startswith(OLD)]
    if layout is None:
        refuse_builds([*builds, *(["--old-layout"] if old_layout else [])])
    read, old_read = all_of(
        *((lambda file=file: load_layout(file) if file else None) for file in (layout, old_layout))
    )
    old_read = old_read or read
    _, old_files = all_of(
        lambda: build_files(read, of_new) if read else {},
        lambda: build_files(old_read, of_old) if old_read else {},
    )
    form = form_by_suffix(output, form, "json", "html")
    (old, new), old_builds = all_of(
        lambda: read_images(images, [old_read, read], at, as_form), lambda: load_builds(old_read, old_files)
    )
    new_files: dict[str, FilePath] = {}
    new_builds: dict[str, Build] = {}
    if read:
        new_files, new_builds, remarks = builds_of_image(read, new, of_new)
        print_remarks(remarks)
    inputs = [
        *images,
        *(each for each in (layout, old_layout) if each),
        *old_files.values(),
        *new_files.values(),
    ]
    refuse_targets([output] if output else [], inputs)
    if from_device:
        from gemel.workflows.reading_back import without_settings

        old, new = without_settings(old, old_read), without_settings(new, read)
    unused = keys_of(read)[1] if read else []
    print_remarks(replace(each, next_step="put the public key there") for each in unused)
    comparison = compare(
        old,
        new,
        read,
        old_builds=old_builds,
        new_builds=new_builds,
        options=["--from-device"] if from_device else [],
        old_layout=old_read,
    )
    both = [each.layout for each in (read, old_read) if each]
    own = {name for each in both for name, area in each.areas.items() if area.purpose == "settings"}
    if names := [] if from_device else [each.area for each in comparison.areas if each.area in own]:
        what = f"area {', '.join(names)} differs, which the device writes itself"
        step = "give --from-device where an image is a dump of a device"
        print_remarks([Problem(what, next_step=step)])
    _give(comparison, form, output, everything, [each.layout if each else None for each in (read, old_read)])
    return 0 if comparison.same else 1


def _give(
    comparison: Comparison,
    form: str,
    output: FilePath | None,
    everything: bool,
    layouts: Sequence[Layout | None],
) -> None:
    """Print the comparison in a form, or write it; ``layouts`` are those of the new image and of the old one."""
    from gemel.cli.results import give_text

    if form == "json":
        from gemel.comparing.changes import FORMAT
        from gemel.text.as_json import form_text

        give_text(form_text(FORMAT, comparison), output, plain=False)
    elif form == "html":
        from gemel.page.compare import page_of_comparison

        give_text(page_of_comparison(comparison, *layouts), output, plain=False)
    else:
        from gemel.cli.printing import terminal_width
        from gemel.comparing.as_text import text_of

        lines = text_of(comparison, 80 if output else terminal_width(sys.stdout), everything)
        give_text("".join(f"{line}\n" for line in lines), output)


def _sorted(words: Sequence[str]) -> tuple[FilePath | None, list[FilePath], list[str]]:
    """The layout's file, the two images and the builds; raises UsageProblem unless there are two images."""
    from gemel.cli.positions import layout_among, refuse_standard_input_twice

    builds = [word for word in words if "=" in word]
    layout, images = layout_among([word for word in words if "=" not in word])
    if len(images) != 2:
        raise UsageProblem(
            "not two images",
            found=" ".join(images) or "none",
            expected="[LAYOUT] OLD NEW",
            next_step="name the old image first, then the new one",
        )
    refuse_standard_input_twice(images)
    return layout, [FilePath(image) for image in images], builds
