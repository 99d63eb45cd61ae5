"""A received release folder: its files, and where its lists of digests and its report differ from them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from functools import cached_property

from gemel.errors import GemelError
from gemel.release.contents import CONTENTS, PROVENANCE, SUMS, ReleaseContents, read_contents, read_sums
from gemel.release.provenance import Envelope, Statement, holds, read_envelope, read_statement
from gemel.release.vex import Vex, read_vex
from gemel.seals.keys.keys import PublicKey
from gemel.structs import NamedTuple, Struct


class FolderFault(NamedTuple):
    """One thing that is wrong: the file that it concerns, what it is, what was found and expected.

    ``listed``: where the list of digests has the same file wrong, that says it already.
    """

    file: str
    what: str
    found: str = ""
    expected: str = ""
    listed: bool = False


class ReleaseFolder(Struct, dict=True):
    """The files of a folder by name, and entries that are no plain files with what they are."""

    files: Mapping[str, bytes]
    strange: tuple[tuple[str, str], ...] = ()

    @cached_property
    def digests(self) -> dict[str, str]:
        """SHA-256 of each file, in hexadecimal."""
        return {name: hashlib.sha256(data).hexdigest() for name, data in self.files.items()}

    @cached_property
    def contents(self) -> ReleaseContents:
        """The list of contents; raises UsageProblem where it is missing or malformed."""
        return read_contents(self.files.get(CONTENTS, b""), CONTENTS)

    @cached_property
    def envelope(self) -> Envelope:
        """The provenance's envelope; raises UsageProblem."""
        return read_envelope(self.files.get(PROVENANCE, b""), PROVENANCE)

    @cached_property
    def statement(self) -> Statement:
        """The provenance; raises UsageProblem."""
        return read_statement(self.envelope.payload, PROVENANCE)

    @cached_property
    def vex(self) -> dict[str, Vex | GemelError]:
        """Each VEX document by its file, or why it is none; raises UsageProblem without a list of contents."""
        found: dict[str, Vex | GemelError] = {}
        for file in {each.file for each in self.contents.vex}:
            try:
                found[file] = read_vex(self.files.get(file, b""), file)
            except GemelError as error:
                found[file] = error
        return found


def fault_of(error: GemelError, file: str) -> FolderFault:
    """An error of reading a document as a fault of its file."""
    problem = error.problems[0]
    return FolderFault(file, problem.what, problem.found, problem.expected)


def listing_faults(folder: ReleaseFolder) -> Iterator[FolderFault]:
    """What ``SHA256SUMS`` lists otherwise than the folder has it."""
    for name, kind in folder.strange:
        yield FolderFault(name, f"the folder holds {kind}", kind, "plain files")
    if SUMS not in folder.files:
        yield FolderFault(SUMS, "the list of digests is missing", "none", SUMS)
        return
    sums, faults = read_sums(folder.files[SUMS])
    for line in faults:
        yield FolderFault(
            SUMS, "a line of the list is no digest with a name", line, "a SHA-256, two spaces, a name"
        )
    yield from compared_digests(folder, sums, SUMS, {SUMS})


def report_faults(folder: ReleaseFolder) -> Iterator[FolderFault]:
    """What the report of the check in the folder says otherwise than its image."""
    try:
        first = folder.contents.images[0].file
        report = json.loads(folder.files["check.json"])
        digest, passes = str(report["identity"]["image"]["sha256"]), report["passes"] is True
    except (GemelError, KeyError, IndexError, TypeError, ValueError, RecursionError):
        yield FolderFault(
            "check.json",
            "check.json is not the report of a check of this image",
            "another form",
            "an image's digest",
        )
        return
    if digest != folder.digests.get(first):
        yield FolderFault(
            "check.json", "check.json reports on another image", digest, folder.digests.get(first, "none")
        )
    elif not passes:
        yield FolderFault(
            "check.json", "check.json reports a check that did not pass", "passes: false", "passes: true"
        )


def signed_by(folder: ReleaseFolder, keys: list[PublicKey]) -> set[bytes]:
    """The fingerprints of those of ``keys`` of which a signature of the provenance holds."""
    envelope = folder.envelope
    return {
        key.fingerprint for key in keys if any(holds(envelope, each, key) for each in envelope.signatures)
    }


def compared_digests(
    folder: ReleaseFolder, listed: Mapping[str, str], where: str, without: set[str]
) -> Iterator[FolderFault]:
    """What a list of digests in ``where`` has otherwise than the folder; files in ``without`` are not in it."""
    surplus = {folder.digests[name]: name for name in sorted(set(folder.digests) - without - set(listed))}
    renamed = {
        name: surplus[said] for name, said in listed.items() if name not in folder.digests and said in surplus
    }
    for name in sorted(set(listed) | (set(folder.digests) - without - {*renamed.values()})):
        found, said = folder.digests.get(name), listed.get(name)
        if other := renamed.get(name):
            yield FolderFault(name, f"{name}, which {where} lists, has another name here", other, name, True)
        elif said is None:
            yield FolderFault(
                name, f"the folder holds {name}, which {where} does not list", name, "no such file", True
            )
        elif found is None:
            yield FolderFault(name, f"{name}, which {where} lists, is missing", "none", said, True)
        elif found != said:
            yield FolderFault(name, f"{name} is not the file that {where} lists", found, said, True)
