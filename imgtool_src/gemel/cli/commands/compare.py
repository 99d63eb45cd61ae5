"""``gemel compare``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from gemel.cli import options
from gemel.cli.declared import INPUT, INPUTS, argument, option, sub_command
from gemel.cli.positions import layout_among, refuse_standard_input_twice
from gemel.cli.printing import print_remarks, terminal_width
from gemel.cli.results import form_by_suffix, give_text
from gemel.errors import Problem, UsageProblem, all_of
from gemel.files.paths import FilePath
from gemel.structs import Struct, replace

if TYPE_CHECKING:
    from gemel.builds.build import Build
    from gemel.comparing.changes import Comparison
    from gemel.layout.model import Layout
    from gemel.layout.reader import ReadLayout


class CompareArguments(Struct, kw_only=True):
    """The words and options of ``gemel compare``."""

    words: tuple[str, ...] = argument(
        metavar="[LAYOUT] OLD NEW [[old:]NAME=BUILD]...", several=True, kind=INPUTS
    )
    at: int | None = options.at
    as_form: str | None = options.as_form
    paths_outside: bool = options.paths_outside
    old_layout: FilePath | None = option(
        "--old-layout",
        metavar="LAYOUT",
        kind=INPUT,
        help="Layout that the old image was joined with, where that is another one.",
    )
    from_device: bool = options.from_device
    everything: bool = option(
        "--all", is_flag=True, help="In text, list everything that differs, however long."
    )
    form: str = options.form("text", "json", "html")
    output: FilePath | None = options.result("; .json, .html by suffix")


@sub_command("compare", CompareArguments, works_long=True, exits="0 the images are the same; 1 they differ")
def command(asked: CompareArguments) -> int:
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
    from gemel.workflows.comparing import refuse_builds
    from gemel.workflows.inputs.layouts import load_layout

    layout, images, builds = _sorted(asked.words)
    if layout is None:
        refuse_builds([*builds, *(["--old-layout"] if asked.old_layout else [])])
    read, old_read = all_of(
        *(
            (lambda file=file: load_layout(file, paths_outside=asked.paths_outside) if file else None)
            for file in (layout, asked.old_layout)
        )
    )
    form = form_by_suffix(asked.output, asked.form, "json", "html")
    comparison = _compared(asked, layout, images, builds, read, old_read or read)
    _give(comparison, form, asked, [each.layout if each else None for each in (read, old_read or read)])
    return 0 if comparison.same else 1


def _compared(
    asked: CompareArguments,
    layout: FilePath | None,
    images: Sequence[FilePath],
    builds: Sequence[str],
    read: ReadLayout | None,
    old_read: ReadLayout | None,
) -> Comparison:
    """What changed between the images, with remarks on what was given."""
    from gemel.files.output_targets import refuse_targets
    from gemel.workflows.comparing import compare
    from gemel.workflows.describing import keys_of
    from gemel.workflows.inputs.builds import OLD, build_files, builds_of_image, load_builds
    from gemel.workflows.inputs.images import read_images

    of_old = [text.removeprefix(OLD) for text in builds if text.startswith(OLD)]
    of_new = [text for text in builds if not text.startswith(OLD)]
    _, old_files = all_of(
        lambda: build_files(read, of_new) if read else {},
        lambda: build_files(old_read, of_old) if old_read else {},
    )
    (old, new), old_builds = all_of(
        lambda: read_images(images, [old_read, read], asked.at, asked.as_form),
        lambda: load_builds(old_read, old_files),
    )
    new_files: dict[str, FilePath] = {}
    new_builds: dict[str, Build] = {}
    if read:
        new_files, new_builds, remarks = builds_of_image(read, new, of_new)
        print_remarks(remarks)
    inputs = [
        *images,
        *(each for each in (layout, asked.old_layout) if each),
        *old_files.values(),
        *new_files.values(),
    ]
    refuse_targets([asked.output] if asked.output else [], inputs)
    if asked.from_device:
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
        options=["--from-device"] if asked.from_device else [],
        old_layout=old_read,
    )
    both = [each.layout for each in (read, old_read) if each]
    own = {name for each in both for name, area in each.areas.items() if area.purpose == "settings"}
    if names := [] if asked.from_device else [each.area for each in comparison.areas if each.area in own]:
        what = f"area {', '.join(names)} differs, which the device writes itself"
        step = "give --from-device where an image is a dump of a device"
        print_remarks([Problem(what, next_step=step)])
    return comparison


def _give(
    comparison: Comparison, form: str, asked: CompareArguments, layouts: Sequence[Layout | None]
) -> None:
    """Print the comparison in a form, or write it; ``layouts`` are those of the new image and of the old one."""
    if form == "json":
        from gemel.comparing.changes import FORMAT
        from gemel.text.as_json import form_text

        give_text(form_text(FORMAT, comparison), asked.output, plain=False)
    elif form == "html":
        from gemel.page.compare import page_of_comparison

        give_text(page_of_comparison(comparison, *layouts), asked.output, plain=False)
    else:
        from gemel.comparing.as_text import text_of

        width = 80 if asked.output else terminal_width(sys.stdout)
        lines = text_of(comparison, width, asked.everything)
        give_text("".join(f"{line}\n" for line in lines), asked.output)


def _sorted(words: Sequence[str]) -> tuple[FilePath | None, list[FilePath], list[str]]:
    """The layout's file, the two images and the builds; raises UsageProblem unless there are two images."""
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
