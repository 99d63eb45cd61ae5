"""What is said of bytes that go to a signing room, and the readable request that is written next to them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.files.paths import FilePath
from gemel.seals.openssl import openssl_command
from gemel.seals.to_be_signed import read_to_be_signed, request_lines
from gemel.text.escaping import in_shell, on_one_line

if TYPE_CHECKING:
    from gemel.seals.keys.keys import PublicKey
    from gemel.workflows.checking import CheckResult
    from gemel.workflows.signing import HandedOver


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
