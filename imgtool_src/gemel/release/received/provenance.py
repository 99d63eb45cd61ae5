"""Where the provenance of a received release differs from its folder and from the record of the image."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.errors import GemelError
from gemel.record.record import Record
from gemel.release.contents import CONTENTS, PROVENANCE, SUMS
from gemel.release.received.against_record import _OF_RECORD, against_record, builds_against_record
from gemel.release.received.folder import FolderFault, ReleaseFolder, compared_digests, fault_of


def statement_faults(folder: ReleaseFolder, record: Record | None) -> Iterator[FolderFault]:
    """What the provenance says otherwise than the folder and the image's record."""
    try:
        statement, contents = folder.statement, folder.contents
    except GemelError as error:
        yield fault_of(error, PROVENANCE)
        return
    yield from compared_digests(folder, statement.subjects, PROVENANCE, {SUMS, PROVENANCE})
    layout = statement.materials.get("layout")
    if layout is None or layout.sha256 != folder.digests.get(contents.layout):
        found = layout.sha256 if layout else "none"
        yield FolderFault(
            PROVENANCE,
            f"{PROVENANCE} names another layout",
            found,
            folder.digests.get(contents.layout, "none"),
        )
    for build in contents.builds:
        made = statement.materials.get(f"build {build.name}")
        if made is None or made.sha256 != build.sha256:
            found = made.sha256 if made else "none"
            yield FolderFault(
                PROVENANCE,
                f"{PROVENANCE} names another build {build.name} than {CONTENTS}",
                found,
                build.sha256,
            )
    listed = {f"build {build.name}" for build in contents.builds}
    for role in sorted(
        role for role in statement.materials if role.startswith("build ") and role not in listed
    ):
        yield FolderFault(
            PROVENANCE,
            f"{PROVENANCE} names a {role} that is not in {CONTENTS}",
            role,
            "the builds of the image",
        )
    if record:
        said = {name: statement.parameters.get(name) for name in _OF_RECORD}
        yield from against_record(PROVENANCE, said, record)
        ids = {
            role.removeprefix("build "): dict(material.annotations).get("buildId", "")
            for role, material in statement.materials.items()
            if role.startswith("build ")
        }
        yield from builds_against_record(PROVENANCE, ids, record)
