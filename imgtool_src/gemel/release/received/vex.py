"""Where the VEX documents of a received release are malformed or name what its bill of materials does not."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress

from gemel.errors import GemelError
from gemel.release.contents import CONTENTS, PROVENANCE, SBOM
from gemel.release.received.folder import FolderFault, ReleaseFolder, fault_of
from gemel.release.vex import refs_in, unknown_refs

MAX_REFS, MAX_REFS_IN_ALL = 20, 200
"""References of one VEX document that are named, each in a remark, and of all before each names its first alone."""


def vex_faults(folder: ReleaseFolder) -> Iterator[FolderFault]:
    """What the VEX documents are otherwise than the list of contents and the provenance say."""
    try:
        contents, statement = folder.contents, folder.statement
    except GemelError:
        return  # another rule reports it
    for number, each in enumerate(contents.vex, 1):
        made = statement.materials.get(f"vex {number}")
        digest = folder.digests.get(each.file, "none")
        if made is None or made.sha256 != digest:
            found = made.sha256 if made else "none"
            yield FolderFault(
                each.file, f"{PROVENANCE} names another VEX document than {each.file}", found, digest
            )
        vex = folder.vex[each.file]
        if isinstance(vex, GemelError):
            yield fault_of(vex, each.file)
        elif vex.form != each.form:
            yield FolderFault(
                each.file, f"{each.file} has another form than {CONTENTS} says", vex.form, each.form
            )


def vex_refs_unknown(folder: ReleaseFolder) -> Iterator[tuple[str, str]]:
    """The VEX documents with references in them to components that the SBOM does not list, MAX_REFS of each.

    After MAX_REFS_IN_ALL it is one of each.  The last of more says how many more there are.
    """
    listed = 0
    with suppress(GemelError, ValueError, RecursionError):
        known = refs_in(folder.files.get(SBOM, b""))
        for file, vex in sorted(folder.vex.items()):
            unknown = [] if isinstance(vex, GemelError) else unknown_refs(vex, known)
            most = MAX_REFS if listed < MAX_REFS_IN_ALL else 1
            if more := len(unknown[most:]):
                unknown[most - 1 :] = [f"{unknown[most - 1]}, and {more:,} more"]
            listed += len(unknown)
            yield from ((file, ref) for ref in unknown)
