"""How the record, the rollback counter and the signers changed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from gemel.checking.identity import (
    NO_KEY,
    Identity,
    JudgedSigner,
    SealState,
    identity_of,
    identity_without_layout,
)
from gemel.comparing.changes import Direction, FieldChange, SignerChange
from gemel.image.image import Image
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.record.record import Record
from gemel.record.sound import sound_records
from gemel.seals.finding import find_seals
from gemel.spans import format_address, format_size


def record_of(image: SparseBytes, inspection: Inspection | None) -> Record | None:
    """The record in its area; where there is none, or no layout, the only sound one in the image."""
    if inspection is not None and inspection.record:
        return inspection.record
    sound = [record for _, record in sound_records(image)]
    return sound[0] if len(sound) == 1 else None


def side_of(
    image: Image, record: Record | None, inspection: Inspection | None, options: Sequence[str]
) -> Identity:
    """One image and what it was compared by."""
    if inspection is not None:
        return identity_of(inspection, image.file, options)
    found = find_seals(image.data)
    state: SealState = (
        "not sealed" if not found else "sealed" if all(each.seal for each in found) else "malformed"
    )
    signers = tuple(
        JudgedSigner(algorithm, key.hex(), False, False, NO_KEY) for algorithm, key in _signers(image.data)
    )
    return identity_without_layout(image.data, image.file, image.read_from, record, state, signers, options)


def direction(old: Record | None, new: Record | None) -> Direction:
    """Where the rollback counter goes."""
    if old is None or new is None:
        return "not known"
    if old.rollback == new.rollback:
        return "same"
    return "rises" if new.rollback > old.rollback else "falls"


def field_changes(old: Record | None, new: Record | None) -> Iterator[FieldChange]:
    """The fields of two records that differ, those of builds by the builds' names."""
    before, after = _fields(old), _fields(new)
    for name in dict.fromkeys([*before, *after]):
        values = before.get(name, ""), after.get(name, "")
        if values[0] != values[1]:
            yield FieldChange(name, *values)


def _fields(record: Record | None) -> dict[str, str]:
    if record is None:
        return {}
    fields = {
        "product": record.product,
        "version": record.version,
        "rollback counter": str(record.rollback),
        "vendor id": str(record.vendor_id or ""),
        "class id": str(record.class_id or ""),
        "layout SHA-256": record.layout_sha256.hex(),
        "SHA-256 of all else": record.rest_sha256.hex(),
    }
    for build in record.builds:
        vectors = "" if build.vector_address is None else format_address(build.vector_address)
        values = {
            "core": f"{build.core} ({build.role})",
            "stored at": format_address(build.stored_start),
            "size": format_size(build.stored_size),
            "runs at": format_address(build.run_start),
            "vectors": vectors,
            "build id": build.build_id.hex(),
            "SHA-256": build.sha256.hex(),
        }
        fields |= {f"{name} of build {build.name}": value for name, value in values.items()}
    return fields


def signer_changes(old: SparseBytes, new: SparseBytes) -> list[SignerChange]:
    """The signers of all seals of either image that the other lacks."""
    before, after = _signers(old), _signers(new)
    removed = [SignerChange(*each, "removed") for each in before if each not in after]
    return removed + [SignerChange(*each, "added") for each in after if each not in before]


def _signers(image: SparseBytes) -> Sequence[tuple[str, bytes]]:
    return [
        (signer.algorithm.name, signer.key_fingerprint)
        for found in find_seals(image)
        if found.seal
        for signer in found.seal.signers
    ]
