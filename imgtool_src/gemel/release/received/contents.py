"""Where the list of contents of a received release differs from its folder and from the record of the image."""

from __future__ import annotations

import re
from collections.abc import Iterator

from gemel.errors import GemelError
from gemel.record.record import Record
from gemel.release.contents import CONTENTS, PROVENANCE, SBOM, SUMS, ReleaseContents
from gemel.release.received.against_record import against_record, builds_against_record
from gemel.release.received.folder import FolderFault, ReleaseFolder, fault_of


def contents_faults(folder: ReleaseFolder, record: Record | None, sealed: bool) -> Iterator[FolderFault]:
    """What the list of contents says otherwise than the folder and the image: its record, whether it is ``sealed``."""
    try:
        contents = folder.contents
    except GemelError as error:
        yield fault_of(error, CONTENTS)
        return
    named = [
        contents.layout,
        *(image.file for image in contents.images),
        *(key.file for key in contents.keys),
        *(vex.file for vex in contents.vex),
    ]
    for name in named:
        if name not in folder.files:
            yield FolderFault(name, f"{name}, which {CONTENTS} names, is missing", "none", name)
    yield from _key_faults(folder, contents)
    if contents.sealed != sealed:
        words = {True: "a seal", False: "no seal"}
        yield FolderFault(
            CONTENTS,
            f"{CONTENTS} says that the image has {words[contents.sealed]}",
            words[sealed],
            words[contents.sealed],
        )
    roles = {*named, CONTENTS, SUMS, SBOM, PROVENANCE}
    for name in sorted(set(folder.files) - roles):
        if not re.fullmatch(r"(check|rehearsal|notes)\.[a-z.]+", name):
            what = f"a file that is none of a release, or that {CONTENTS} does not name"
            yield FolderFault(name, what, name, "no such file", listed=True)
    if record:
        said = {
            "product": contents.product,
            "version": contents.version,
            "rollback": contents.rollback,
            "layoutDigest": contents.layout_sha256,
        }
        yield from against_record(CONTENTS, said, record)
        ids = {build.name: build.build_id or "" for build in contents.builds}
        yield from builds_against_record(CONTENTS, ids, record)


def _key_faults(folder: ReleaseFolder, contents: ReleaseContents) -> Iterator[FolderFault]:
    from gemel.seals.keys.files import load_public_key

    for each in contents.keys:
        if each.file not in folder.files:
            continue
        try:
            found = load_public_key(folder.files[each.file], each.file).fingerprint.hex()
        except GemelError as error:
            yield fault_of(error, each.file)
            continue
        if found != each.fingerprint:
            yield FolderFault(
                each.file, f"{each.file} is another key than {CONTENTS} says", found, each.fingerprint
            )
