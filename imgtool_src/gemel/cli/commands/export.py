"""``gemel export``."""

from __future__ import annotations

import os

from gemel.cli import options
from gemel.cli.declared import INPUT, Choice, argument, option, sub_command
from gemel.cli.echo import echo
from gemel.cli.endings import NOTHING_WRITTEN
from gemel.cli.positions import OWN, given, layout_of
from gemel.cli.printing import help_with_rows, print_diagnostic, print_done, written_words
from gemel.cli.reporting import give_reports
from gemel.errors import UsageProblem
from gemel.files.paths import FilePath
from gemel.structs import Struct
from gemel.workflows.exports import EXPORTS, Export

SUIT = ("suit", "an image as a signed SUIT envelope (IETF draft 37, a trial): LAYOUT IMAGE --key KEY -o FILE")

SUIT_USAGE = "export suit [LAYOUT] IMAGE --key KEY -o FILE"


def _with_exports(text: str) -> str:
    return help_with_rows(text, "{exports}", (*((it.name, it.meaning) for it in EXPORTS), SUIT))


class ExportArguments(Struct, kw_only=True):
    """The words and options of ``gemel export``."""

    what: str = argument(metavar="WHAT", kind=Choice([*(export.name for export in EXPORTS), SUIT[0]]))
    layout: FilePath | None = argument(metavar="[LAYOUT]", kind=INPUT, required=False)
    image: FilePath | None = argument(metavar="[IMAGE]", kind=INPUT, required=False)
    core: str | None = option("--core", metavar="CORE", help="Core whose view it is; else the primary.")
    output: FilePath | None = options.result()
    key_texts: tuple[str, ...] = options.key("Sign the SUIT envelope")
    phrase_files: tuple[FilePath, ...] = options.phrase_files
    phrase_names: tuple[str, ...] = options.phrase_names
    open_keys: bool = options.open_keys


@sub_command("export", ExportArguments, finished=_with_exports, exits="0 done; 1 a rule is broken (suit)")
def command(asked: ExportArguments) -> int:
    """Write out what both teams need from a layout or from gemel.

    \b
    {exports}

    \b
    Example:
      gemel export linker tide-gauge.toml --core sampler -o layout.ld
    """
    if asked.what == SUIT[0]:
        return _write_suit(asked)
    if asked.image is not None or asked.key_texts:
        raise UsageProblem(
            "images and keys are for export suit",
            found=" ".join(
                [*([str(asked.image)] if asked.image else []), *(["--key"] if asked.key_texts else [])]
            ),
            expected=f"export {asked.what} [LAYOUT]",
            next_step="leave them out",
        )
    from gemel.files.output_targets import refuse_targets
    from gemel.files.outputs import write_all

    export = next(each for each in EXPORTS if each.name == asked.what)
    text = _text(export, asked.layout, asked.core)
    if asked.output is None:
        echo(text.encode(), nl=False)
    else:
        refuse_targets([asked.output], [asked.layout] if asked.layout else [])
        write_all({asked.output: [text.encode()]})
        print_diagnostic(written_words([asked.output]))
    return 0


def _write_suit(asked: ExportArguments) -> int:
    """Write the signed envelope of an image; nothing, and the report, where a rule is broken."""
    from gemel.cli.signing.key_options import GivenKeys
    from gemel.files.output_targets import refuse_targets
    from gemel.files.outputs import write_all
    from gemel.workflows.exporting_suit import suit_envelope
    from gemel.workflows.inputs.images import read_image
    from gemel.workflows.inputs.layouts import load_layout

    output, core = asked.output, asked.core
    if output is None or core is not None:
        what_is_there = "no -o" if output is None else f"--core {core}"
        what = "a SUIT envelope is of all cores, and goes into a file"
        raise UsageProblem(what, found=what_is_there, expected=SUIT_USAGE, next_step="gemel explain release")
    found = given([str(word) for word in (asked.layout, asked.image) if word], SUIT_USAGE)
    layout, image = layout_of(found), found.images[0]
    read = load_layout(layout)
    with GivenKeys.of(asked) as keys:
        refuse_targets([output], [layout, image, *keys.files])
        result, envelope = suit_envelope(read, read_image(image, layout=read), keys)
    if not envelope:
        print_diagnostic(NOTHING_WRITTEN)
        give_reports(result, "text", ())
        return 1
    write_all({output: [envelope]})
    print_done(written_words([output]))
    return 0


def _text(export: Export, layout: FilePath | None, core: str | None) -> str:
    """The export's text; raises UsageProblem for a layout or core that is missing, unknown or of no use."""
    from gemel.workflows.inputs.layouts import load_layout

    if export.text is not None:
        given = [text for text in (str(layout or ""), f"--core {core}" if core else "") if text]
        if given:
            what = f"{export.name} is the same for every layout"
            raise UsageProblem(what, found=" ".join(given), expected="nothing", next_step="leave it out")
        return export.text()
    if layout is None and not os.path.isfile(OWN):
        what, expected = f"{export.name} is made from a layout", f"LAYOUT, or {OWN} in the folder"
        raise UsageProblem(
            what, found="none", expected=expected, next_step=f"gemel export {export.name} LAYOUT"
        )
    read = load_layout(layout or OWN)
    cores = read.layout.cores
    if core is not None and core not in cores:
        from gemel.workflows.looking_up import unknown_cores

        raise UsageProblem(unknown_cores(cores, [core]))
    return export.of_layout(read, core or read.layout.primary().name) if export.of_layout else ""
