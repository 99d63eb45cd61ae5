"""``gemel show``."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

from gemel.cli import options
from gemel.cli.declared import option, sub_command
from gemel.cli.options import OF_AN_IMAGE
from gemel.cli.positions import MAX_FILES, given
from gemel.cli.printing import print_remarks, styled, terminal_width
from gemel.cli.results import form_by_suffix, give_text
from gemel.errors import UsageProblem, all_of
from gemel.files.paths import FilePath
from gemel.structs import Struct
from gemel.text.escaping import on_one_line

if TYPE_CHECKING:
    from gemel.cli.positions import Given
    from gemel.image.image import Image
    from gemel.text.styled import Line, Signs
    from gemel.workflows.describing import DescribedImage

COLOURS: dict[str, dict[str, Any]] = {
    "title": {"bold": True},
    "name": {"bold": True},
    "dim": {"dim": True},
    "build": {"fg": "cyan"},
    "record": {"fg": "magenta"},
    "other": {"fg": "yellow"},
    "good": {"fg": "green"},
    "bad": {"fg": "red", "bold": True},
}

TO_BE_SIGNED = ".tbs"
"""The suffix of a file of bytes to be signed."""


class ShowArguments(Struct, kw_only=True):
    """The words and options of ``gemel show``."""

    words: tuple[str, ...] = options.image_words
    starts: tuple[int, ...] = options.several_at
    from_device: bool = options.from_device
    as_form: str | None = options.as_form
    layout: FilePath | None = options.layout
    alone: bool = option(
        "--no-layout",
        is_flag=True,
        help="Show what the file alone says, whatever layout the folder has.",
    )
    trust: tuple[FilePath, ...] = options.trust(": exit code 1 where it does not hold.")
    paths_outside: bool = options.paths_outside
    form: str = options.form("text", "json", "html")
    output: FilePath | None = options.result("; .json, .html by suffix")


@sub_command("show", ShowArguments, works_long=True, exits="0 done; 1 the seal does not hold (--trust)")
def command(asked: ShowArguments) -> int:
    """Show what is in an image.

    With a layout: its memories drawn to scale, builds, record, vector tables, stamps and checksums. With
    the builds' ELF files also the RAM they claim and the names of their handlers. Without a layout: what
    the file alone shows. What a record says is shown as not verified unless --trust, or the layout's trust, has
    the key of a seal over it. --from-device shows a dump of a device, of one file or several, without what the
    device writes. As HTML: one page for a browser, with all this drawn and to be searched, symbols and bytes. Of a
    file of bytes to be signed (.tbs): what they say. Whether the image is as
    it must be is for gemel check to say.

    \b
    Example:
      gemel show tide-gauge.toml tide.hex station=station.elf sampler=sampler.elf
    """
    from gemel.files.output_targets import refuse_targets

    words = (str(asked.layout), *asked.words) if asked.layout else asked.words
    found = given(words, OF_AN_IMAGE, own=not asked.alone, most=MAX_FILES if asked.from_device else 1)
    image = found.images[0]
    refuse_targets(
        [asked.output] if asked.output else [], [*found.images, *([found.layout] if found.layout else [])]
    )
    if image.suffix.lower() == TO_BE_SIGNED and not asked.as_form:
        given_too = {
            "--trust": asked.trust,
            "--at": asked.starts,
            "--from-device": asked.from_device,
            "--format": asked.form != "text",
            "builds": found.builds,
        }
        return _show_request(image, asked.output, [name for name, value in given_too.items() if value])
    shown = _described(
        found, asked.starts, asked.from_device, asked.as_form, asked.trust, asked.paths_outside
    )
    contents = shown.contents
    code = 1 if asked.trust and not shown.is_trusted else 0
    form = form_by_suffix(asked.output, asked.form, "json", "html")
    if form == "json":
        from gemel.show.facts.contents import FORMAT
        from gemel.text.as_json import form_text

        # JSON is ASCII by its escapes; the bytes are the same whatever the terminal's encoding.
        give_text(form_text(FORMAT, contents), asked.output, plain=False)
        return code
    if form == "html":
        give_text(shown.to_html(), asked.output, plain=False)
        return code
    from gemel.show.as_text.whole import text_of

    signs = _signs(None if asked.output else sys.stdout)
    lines = text_of(contents, 80 if asked.output else terminal_width(sys.stdout), signs)
    text = "\n".join(
        "".join(each.text for each in line) if asked.output else _printed(line) for line in lines
    )
    give_text(f"{text}\n", asked.output)
    return code


def _show_request(path: FilePath, output: FilePath | None, given_too: list[str]) -> int:
    """Print what bytes to be signed say, from the bytes alone; raises UsageProblem for what only images have."""
    from gemel.files.reading import limited
    from gemel.seals.to_be_signed import MAX_REQUEST, read_to_be_signed, request_lines

    if given_too:
        step = "leave it out; nothing is signed yet that could be verified"
        raise UsageProblem(
            "bytes to be signed are no image", where=str(path), found=", ".join(given_too), next_step=step
        )
    asked = read_to_be_signed(limited(path, MAX_REQUEST, "bytes to be signed"), str(path))
    lines = [
        *(
            line[: len(line) - len(line.lstrip())] + on_one_line(line.lstrip())
            for line in request_lines(asked)
        ),
        "The bytes have the one form of a seal's request, and the record in them is sound.",
        "They do not show whether the image is the one described: gemel check does.",
    ]
    give_text("".join(f"{line}\n" for line in lines), output)
    return 0


def _described(
    found: Given,
    starts: tuple[int, ...],
    from_device: bool,
    as_form: str | None,
    trust: tuple[FilePath, ...],
    paths_outside: bool,
) -> DescribedImage:
    from gemel.workflows.describing import described, refuse_builds_without_layout
    from gemel.workflows.inputs.builds import load_builds, without_others
    from gemel.workflows.inputs.images import read_image
    from gemel.workflows.inputs.layouts import load_layout_and_files

    if found.layout is None:
        refuse_builds_without_layout(found.builds)
    read, files, remarks = (
        load_layout_and_files(found.layout, found.builds, paths_outside=paths_outside)
        if found.layout
        else (None, {}, [])
    )

    def loaded_image() -> Image:
        if from_device:
            from gemel.workflows.reading_back import read_dump

            dump = read_dump(found.images, read, starts, as_form)
            print_remarks(dump.remarks)
            return dump.image
        return read_image(found.images[0], layout=read, at=starts[-1] if starts else None, form=as_form)

    loaded, builds = all_of(loaded_image, lambda: load_builds(read, files))
    print_remarks(loaded.remarks)
    if read is None:
        from gemel.workflows.inputs.keys import public_keys

        return described(loaded, trusted=public_keys(trust) if trust else None)
    print_remarks([*remarks, *without_others(read, loaded, found.builds, files, builds)])
    if not trust:
        shown = described(loaded, read, builds)
        print_remarks(shown.remarks)
        return shown
    from gemel.workflows.trust import trust_of

    trusted = trust_of(read, trust)
    print_remarks(trusted.remarks(read))
    return described(loaded, read, builds, trusted=trusted.trusted)


def _signs(stream: object) -> Signs:
    """Block characters where the stream (None: a file in UTF-8) can print them."""
    from gemel.text.styled import ASCII, BLOCKS

    if stream is None:
        return BLOCKS
    try:
        BLOCKS.all.encode(getattr(stream, "encoding", None) or "ascii")
    except (UnicodeEncodeError, LookupError):
        return ASCII
    return BLOCKS


def _printed(line: Line) -> str:
    return "".join(styled(text, sys.stdout, **COLOURS[style]) if style else text for text, style in line)
