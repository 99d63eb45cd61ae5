"""What ``gemel sign`` prints and writes of the work in ``workflows.signing``, in one step or with a signing room."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.cli.echo import echo
from gemel.cli.endings import NOTHING_WRITTEN
from gemel.cli.printing import print_remarks, written_lines, written_words
from gemel.cli.reporting import Shown
from gemel.cli.signing.key_options import GivenKeys
from gemel.cli.signing.seal_lines import missing_lines, seal_lines, sign_command
from gemel.errors import all_of
from gemel.files.output_targets import refuse_targets
from gemel.files.outputs import write_all
from gemel.files.paths import FilePath
from gemel.seals.to_be_signed import openssl_command, read_to_be_signed, request_lines
from gemel.text.escaping import in_shell, on_one_line
from gemel.workflows import signing
from gemel.workflows.signing import Sealed, SignRequest
from gemel.workflows.writing import (
    STDOUT,
    MadeFile,
    encoded,
    made_file,
    memory_files,
    of_file,
    refuse_suffixes,
    write_files,
)

if TYPE_CHECKING:
    from gemel.seals.keys.keys import PublicKey
    from gemel.workflows.checking import CheckResult
    from gemel.workflows.signing import HandedOver


def hand_over(request: SignRequest, quiet: bool = False) -> int:
    """Write the bytes to be signed for each public key, with what they are next to them; the exit code.

    Where ``quiet`` nothing is printed but what fails.
    """
    refuse_targets(request.to_be_signed, request.inputs, [*map(readable_file, request.to_be_signed)])
    handed_over = signing.hand_over(request)
    shown = Shown(handed_over.check, silent=quiet and handed_over.check.passes)
    done = []
    with shown:
        if handed_over.check.passes:
            for path, key in handed_over.keys.items():
                done += hand_over_lines(key, path, len(handed_over.texts[path]))
            files = {
                path: [text]
                for path, text in [*handed_over.texts.items(), *readable_requests(handed_over).items()]
            }
            write_all(files)
            done.append(written_words(files))
    return _ended(shown, done)


def seal_image(request: SignRequest, keys: GivenKeys, quiet: bool = False) -> int:
    """Seal the image with ``keys`` and the signatures made elsewhere and write it; the exit code.

    Where ``quiet`` nothing is printed but what fails.
    """
    refuse_suffixes(request.outputs, request.form)
    whole = memory_files(request.read.layout, request.memories)
    targets = [path for path in request.outputs if path != STDOUT]
    refuse_targets([*targets, *whole], [*request.inputs, *keys.files])
    all_of(lambda: request.loaded, lambda: request.loaded_builds)
    print_remarks(request.remarks)
    sealed = signing.seal_image(request, keys)
    result, layout = sealed.checks[-1], request.read.layout
    judged = request.outputs[0] if sealed.seal and request.outputs else None
    made: dict[FilePath, MadeFile] = {}
    if judged:
        image = request.loaded
        made[judged] = made_file(encoded(judged, image.data, layout, image.entry, request.form))
        result = of_file(result, judged, made[judged].file)
    shown = Shown(result, silent=quiet and bool(sealed.seal), to_stderr=STDOUT in request.outputs)
    lines: list[str] = []
    with shown:
        if sealed.seal:
            options = {"--version": request.version, "--rollback": request.rollback, "--as": request.form}
            command = sign_command(request.layout, request.outputs, options, add=True)
            lines = [
                *seal_lines(layout, sealed.seal),
                *_replaced_lines(sealed),
                *missing_lines(layout, sealed.seal, shown.width, command),
            ]
            sizes = write_files(
                request.loaded,
                request.outputs,
                layout=request.read,
                memories=whole,
                form=request.form,
                made=made,
            )
            lines += written_lines(sizes, shown.width, judged)
    return _ended(shown, lines)


def _ended(shown: Shown, done: list[str]) -> int:
    """Say what was written, or that nothing was, and the verdict; the exit code."""
    if not done:
        echo(NOTHING_WRITTEN, err=True)
    shown.verdict(done)
    return 0 if done else 1


def _replaced_lines(sealed: Sealed) -> list[str]:
    """What is said of what the seal's area held before."""
    if sealed.replaced is None:
        return []
    if not sealed.replaced:
        return ["replaced what was in the seal's area and was no seal"]
    words = (f"{each.algorithm.name} key {each.key_fingerprint.hex()[:16]}" for each in sealed.replaced)
    return [f"replaced the seal of {', '.join(words)}"]


WIDTH = 120
"""Columns of the evidence in a file for people: a line holds a file's name and its digest."""


def hand_over_lines(key: PublicKey, path: FilePath, size: int) -> list[str]:
    """What is said of a file that goes to the signing room."""
    words = openssl_command(key.algorithm, "KEY.pem", str(path), f"{path}.sig")
    since = ", from OpenSSL 3.5 on" if key.algorithm.quantum_safe else ""
    return [
        f"{on_one_line(str(path))}: {size:,} bytes, to be signed with the {key.algorithm.name} key",
        f"  {key.fingerprint.hex()}",
        f"  for instance{since}: {in_shell(*words)}",
    ]


def readable_file(path: FilePath) -> FilePath:
    """Where the request for people goes: next to the bytes, with .txt after their name."""
    return path.parent / f"{path.name}.txt"


def readable_requests(request: HandedOver) -> dict[FilePath, bytes]:
    """The text that goes next to each file of bytes, by its own file."""
    texts = {}
    for path, data in request.texts.items():
        lines = [
            *request_lines(read_to_be_signed(data, path.name)),
            "",
            "what the bytes do not hold: said by the one who requests the signature",
            *_evidence_lines(request.check),
            "",
            "`gemel show FILE.tbs` prints the first part from the bytes alone. Sign what that says,",
            "not what this file says.",
        ]
        texts[readable_file(path)] = "".join(f"{line}\n" for line in lines).encode(
            "utf-8", "backslashreplace"
        )
    return texts


def _evidence_lines(result: CheckResult) -> Iterator[str]:
    from gemel.checking.identity import identity_of
    from gemel.checking.reports.as_text import report_of

    for line in report_of(result, identity_of(result.inspection), width=WIDTH):
        yield f"  {line}" if line else ""
