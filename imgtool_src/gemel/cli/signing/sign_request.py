"""What ``gemel sign`` prints and writes of the work in ``workflows.signing``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from gemel.cli.echo import echo
from gemel.cli.endings import NOTHING_WRITTEN
from gemel.cli.printing import print_remarks, prose_width, written_lines, written_words
from gemel.cli.reporting import give_reports
from gemel.cli.signing.key_options import KeysAtHand
from gemel.cli.signing.seal_lines import missing_lines, seal_lines
from gemel.cli.signing.signing_room import hand_over_lines, readable_file, readable_requests
from gemel.files.output_targets import refuse_targets
from gemel.files.outputs import write_all
from gemel.workflows import signing
from gemel.workflows.writing import STDOUT, memory_files, refuse_suffixes, write_images

if TYPE_CHECKING:
    from gemel.workflows.checking import CheckResult
    from gemel.workflows.signing import Sealed, SignRequest


def hand_over(request: SignRequest) -> int:
    """Write the bytes to be signed for each public key, with what they are beside them; the exit code."""
    targets = [*request.to_be_signed, *map(readable_file, request.to_be_signed)]
    refuse_targets(targets, request.inputs)
    handed = signing.hand_over(request)
    if not handed.check.passes:
        _print_summary(handed.check)
        return _nothing_written()
    files = {path: [text] for path, text in [*handed.texts.items(), *readable_requests(handed).items()]}
    write_all(files)
    done = [
        line
        for path, key in handed.keys.items()
        for line in hand_over_lines(key, path, len(handed.texts[path]))
    ]
    _print_summary(handed.check, [*done, written_words(files)])
    return 0


def seal_image(request: SignRequest, keys: KeysAtHand) -> int:
    """Seal the image with ``keys`` and the signatures made elsewhere and write it; the exit code."""
    refuse_suffixes(request.outputs, request.form)
    whole = memory_files(request.read.layout, request.memories)
    targets = [path for path in request.outputs if path != STDOUT]
    refuse_targets([*targets, *whole], [*request.inputs, *keys.files])
    print_remarks(request.files_and_remarks[1])
    sealed = signing.seal_image(request, keys)
    if sealed.seal is None:
        _print_summary(sealed.checks[-1])
        return _nothing_written()
    layout = request.read.layout
    lines = [*seal_lines(layout, sealed.seal), *_replaced_lines(sealed), *missing_lines(layout, sealed.seal)]
    sizes = write_images(
        request.loaded, *request.outputs, layout=request.read, memories=whole, form=request.form
    )
    lines += written_lines(sizes, prose_width(sys.stdout))
    give_reports(sealed.checks[-1], "text", (), done=lines, to_stderr=STDOUT in request.outputs)
    return 0


def _print_summary(result: CheckResult, done: Sequence[str] = ()) -> None:
    give_reports(result, "text", (), done=done)


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
