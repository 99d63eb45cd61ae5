"""How the record, the rollback counter, the signers and the contract's types changed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from gemel.checking.contract.comparison import TypeComparison
from gemel.checking.contract.picture import side_by_side
from gemel.checking.contract.rows import rows_of
from gemel.checking.identity import (
    NO_KEY,
    Identity,
    JudgedSigner,
    SealState,
    identity_of,
    identity_without_layout,
)
from gemel.comparing.changes import ContractBreak, Direction, FieldChange, SignerChange
from gemel.errors import BuildError
from gemel.image.image import Image
from gemel.image.sparse import SparseBytes
from gemel.inspection.contract.constants import constant_values
from gemel.inspection.contract.parties import (
    DefinedSymbol,
    DefinedType,
    Missing,
    defined_symbol,
    defined_type,
    parties,
)
from gemel.inspection.contract.shared_objects import types_in_symbol
from gemel.inspection.inspection import Inspection
from gemel.layout.model import BuildPlan, Contract
from gemel.record.record import Record, sound_records
from gemel.seals.reading import find_seals
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


NAMES = ("old", "new")


def contract_breaks(old: Inspection, new: Inspection) -> Iterator[ContractBreak | str]:
    """A break for each shared type, symbol or constant that changed; a text for what could not be compared."""
    for contract in new.layout.contracts.values():
        for plan in parties(new.layout):
            if plan.name in old.builds and plan.name in new.builds:
                yield from _of_build(old, new, contract, plan)
            elif contract.types or contract.symbols:
                given = "old:" if plan.name not in old.builds else ""
                yield f"contract {contract.name} in build {plan.name}: needs {given}{plan.name}=FILE.elf"


def _of_build(
    old: Inspection, new: Inspection, contract: Contract, plan: BuildPlan
) -> Iterator[ContractBreak | str]:
    broken = []
    for spelling in contract.types:
        sides = [defined_type(side, contract, plan, spelling) for side in (old, new)]
        if isinstance(sides[0], DefinedType) and isinstance(sides[1], DefinedType):
            found = list(_type(sides[0], sides[1], contract, spelling))
            broken += [f"contract {contract.name}, {spelling}"] if found else []
            yield from found
        elif all(not isinstance(side, DefinedType) and side.absent for side in sides):
            continue
        else:
            reason = next(side.reason for side in sides if not isinstance(side, DefinedType))
            which = "old" if not isinstance(sides[0], DefinedType) else "new"
            yield f"{spelling} of contract {contract.name} in {which} build {plan.name}: {reason}"
    for name in contract.symbols:
        before, after = defined_symbol(old, plan, name), defined_symbol(new, plan, name)
        if isinstance(before, DefinedSymbol) and isinstance(after, DefinedSymbol):
            one, other = before.symbol.span, after.symbol.span
            if one.start != other.start or (one != other and not _in_types(new, after, broken)):
                yield ContractBreak(contract.name, name, plan.name, (f"old: {one}", f"new: {other}"))
    for name in contract.constants:
        values = [constant_values(side, contract, plan, name) for side in (old, new)]
        numbers = [[each.number for each in side] for side in values if not isinstance(side, Missing)]
        if len(numbers) == 2 and numbers[0] != numbers[1]:
            lines = (f"old: {numbers[0][0]}", f"new: {numbers[1][0]}")
            yield ContractBreak(contract.name, name, plan.name, lines)


def _in_types(new: Inspection, symbol: DefinedSymbol, broken: list[str]) -> bool:
    """Whether the size of a symbol follows from a type that changed and is listed itself."""
    return any(where in broken for _, where in types_in_symbol(new, symbol))


def _type(
    before: DefinedType, after: DefinedType, contract: Contract, spelling: str
) -> Iterator[ContractBreak | str]:
    comparison = TypeComparison(before.types, after.types, contract.follow_pointers)
    one, other = before.references[0], after.references[0]
    try:
        if not comparison.same(one, other):
            lines = side_by_side(rows_of(comparison, one, other, spelling), NAMES)
            yield ContractBreak(contract.name, spelling, after.plan.name, lines)
    except BuildError as error:
        yield f"{spelling} of contract {contract.name}: {error.problems[0].found}"
