"""What a document of a release says otherwise than the record of the image."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from gemel.record.record import Record
from gemel.release.received.folder import FolderFault

_OF_RECORD = {
    "product": "product",
    "version": "version",
    "rollback": "rollback counter",
    "layoutDigest": "layout digest",
}
"""What a document says as the record does, and in words."""


def against_record(file: str, said: Mapping[str, Any], record: Record) -> Iterator[FolderFault]:
    """Where product, version, counter or layout digest differ from the record's."""
    known = {
        "product": record.product,
        "version": record.version,
        "rollback": record.rollback,
        "layoutDigest": record.layout_sha256.hex(),
    }
    for name in _OF_RECORD:
        if said.get(name) != known[name]:
            found = str(said.get(name))[:100]
            words = _OF_RECORD[name]
            yield FolderFault(
                file, f"{file} names another {words} than the image's record", found, str(known[name])
            )


def builds_against_record(file: str, ids: Mapping[str, str], record: Record) -> Iterator[FolderFault]:
    """Where build ids by name differ from the record's."""
    recorded = {entry.name: entry.build_id.hex() for entry in record.builds}
    for name in sorted(set(ids) | set(recorded)):
        if name not in ids or name not in recorded:
            where = file if name in recorded else "the image's record"
            found = ", ".join(sorted(ids if name in recorded else recorded)) or "none"
            yield FolderFault(file, f"{where} does not name build {name}", found, name)
        elif ids[name] != recorded[name]:
            what = f"{file} has another build id of build {name} than the image's record"
            yield FolderFault(file, what, ids[name] or "none", recorded[name] or "none")
