"""``gemel export suit``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from gemel.files.paths import FilePath

if TYPE_CHECKING:
    from gemel.cli.signing.pass_phrases import PassPhrases

USAGE = "export suit [LAYOUT] IMAGE --key KEY -o FILE"


def write_suit(
    words: Sequence[str],
    core: str | None,
    output: FilePath | None,
    key_texts: Sequence[str],
    phrases: PassPhrases,
    open_keys: bool,
) -> int:
    """Write the envelope of an image into ``output``; nothing, and the report, where a rule is broken."""
    from gemel.cli.endings import NOTHING_WRITTEN
    from gemel.cli.positions import given, layout_of
    from gemel.cli.printing import print_diagnostic, print_done, written_words
    from gemel.cli.reporting import give_reports
    from gemel.cli.signing.key_options import GivenKeys
    from gemel.errors import UsageProblem
    from gemel.files.output_targets import refuse_targets
    from gemel.files.outputs import write_all
    from gemel.workflows.exporting_suit import suit_envelope
    from gemel.workflows.inputs.images import read_image
    from gemel.workflows.inputs.layouts import load_layout

    if output is None or core is not None:
        found = "no -o" if output is None else f"--core {core}"
        what = "a SUIT envelope is of all cores, and goes into a file"
        raise UsageProblem(what, found=found, expected=USAGE, next_step="gemel explain release")
    found_words = given(words, USAGE)
    layout, image = layout_of(found_words), found_words.images[0]
    read = load_layout(layout)
    with GivenKeys(key_texts, phrases, open_keys=open_keys) as keys:
        refuse_targets([output], [layout, image, *keys.files])
        result, envelope = suit_envelope(read, read_image(image, layout=read), keys)
    if not envelope:
        print_diagnostic(NOTHING_WRITTEN)
        give_reports(result, "text", ())
        return 1
    write_all({output: [envelope]})
    print_done(written_words([output]))
    return 0
