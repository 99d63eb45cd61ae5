"""What ``gemel sign`` prints and writes of the work in ``workflows.signing``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.cli.echo import echo
from gemel.cli.endings import NOTHING_WRITTEN
from gemel.cli.printing import print_done, written_words
from gemel.cli.signing.key_options import KeysAtHand
from gemel.cli.signing.seal_lines import missing_lines, seal_lines
from gemel.cli.signing.signing_room import hand_over_lines, readable_file, readable_requests
from gemel.files.output_targets import refuse_targets
from gemel.files.outputs import write_all
from gemel.workflows import signing
from gemel.workflows.writing import memory_files, refuse_suffixes, write_images

if TYPE_CHECKING:
    from gemel.workflows.checking import CheckResult
    from gemel.workflows.signing import Sealed, SignRequest


def hand_over(request: SignRequest) -> int:
    """Write the bytes to be signed for each public key, with what they are beside them; the exit code."""
    targets = [*request.to_be_signed, *map(readable_file, request.to_be_signed)]
    refuse_targets(targets, request.inputs)
    handed = signing.hand_over(request)
    _print_summary(handed.check)
    if not handed.check.passes:
        return _nothing_written()
    for path, key in handed.keys.items():
        echo("\n".join(hand_over_lines(key, path, len(handed.texts[path]))))
    files = {path: [text] for path, text in [*handed.texts.items(), *readable_requests(handed).items()]}
    write_all(files)
    print_done(written_words(files))
    return 0


def seal_image(request: SignRequest, keys: KeysAtHand) -> int:
    """Seal the image with ``keys`` and the signatures made elsewhere and write it; the exit code."""
    refuse_suffixes(request.outputs)
    whole = memory_files(request.read.layout, request.memories)
    refuse_targets([*request.outputs, *whole], [*request.inputs, *keys.files])
    sealed = signing.seal_image(request, keys)
    _print_summary(sealed.checks[-1])
    if sealed.seal is None:
        return _nothing_written()
    layout = request.read.layout
    lines = [*seal_lines(layout, sealed.seal), *_replaced_lines(sealed), *missing_lines(layout, sealed.seal)]
    echo("\n".join(lines))
    write_images(request.loaded, *request.outputs, layout=request.read, memories=whole)
    print_done(written_words([*request.outputs, *whole]))
    return 0


def _print_summary(result: CheckResult) -> None:
    from gemel.checking.reports.as_text import report_of

    echo("\n".join(report_of(result)))


def _nothing_written() -> int:
    echo(NOTHING_WRITTEN, err=True)
    return 1


def _replaced_lines(sealed: Sealed) -> list[str]:
    """What is said of what the seal's area held before."""
    if sealed.replaced is None:
        return []
    if not sealed.replaced:
        return ["  replaced what was in the seal's area and was no seal"]
    words = (f"{each.algorithm.name} key {each.key_fingerprint.hex()[:16]}" for each in sealed.replaced)
    return [f"  replaced the seal of {', '.join(words)}"]
