"""Two images compared: everything that changed, the worst first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.comparing.changed_builds import section_changes, symbol_changes, why_not_compared
from gemel.comparing.changed_bytes import ChangedBytes
from gemel.comparing.changed_proofs import (
    contract_breaks,
    direction,
    field_changes,
    record_of,
    side_of,
    signer_changes,
)
from gemel.comparing.changes import BuildChange, Comparison, ContractBreak, VectorChange
from gemel.image.image import Image
from gemel.inspection.altered.unchanged import names_other_layout
from gemel.inspection.inspection import Inspection
from gemel.layout.reader import ReadLayout
from gemel.m_profile.vector_tables import group_name, word_name_for
from gemel.record.record import Record
from gemel.spans import Address, Span

if TYPE_CHECKING:
    from gemel.seals.keys.keys import PublicKey


def comparison_of(
    layout: ReadLayout | None,
    old: Image,
    new: Image,
    old_builds: Mapping[str, Build],
    new_builds: Mapping[str, Build],
    options: Sequence[str] = (),
    old_layout: ReadLayout | None = None,
    trusted: tuple[PublicKey, ...] = (),
) -> Comparison:
    """What changed from ``old`` to ``new``; without a layout, bytes, records and signers alone.

    ``old_layout`` is the old image's, where that is another one; seals are verified with the ``trusted`` keys.
    """
    before = _inspection(old_layout or layout, old, old_builds, trusted) if layout else None
    after = _inspection(layout, new, new_builds, trusted) if layout else None
    records = record_of(old.data, before), record_of(new.data, after)
    changed = ChangedBytes(layout.layout if layout else None, old.data, new.data)
    found = list(contract_breaks(before, after)) if before and after else []
    return Comparison(
        old=side_of(old, records[0], before, options),
        new=side_of(new, records[1], after, options),
        same=not changed.spans,
        breaks=tuple(each for each in found if isinstance(each, ContractBreak)),
        not_compared=(
            *_other_layouts((before, after), records),
            *(each for each in found if isinstance(each, str)),
        ),
        rollback=direction(*records),
        fields=tuple(field_changes(*records)),
        signers=tuple(signer_changes(old.data, new.data)),
        memories=tuple(changed.memories()),
        areas=tuple(changed.areas()),
        vectors=tuple(_vectors(before, after)) if before and after else (),
        builds=tuple(_builds(before, after)) if before and after else (),
    )


def _other_layouts(
    inspections: tuple[Inspection | None, Inspection | None], records: tuple[Record | None, Record | None]
) -> Iterator[str]:
    """A text for each image whose record has the digest of another layout than it was read by."""
    options = "--old-layout", "LAYOUT"
    for word, option, inspection, record in zip(("old", "new"), options, inspections, records, strict=True):
        if inspection and record and names_other_layout(inspection, record):
            yield (
                f"places of the {word} image: it was joined with another layout than {inspection.read.name} "
                f"(digest {record.layout_sha256.hex()[:16]}...); give that one as {option}"
            )


def _inspection(
    layout: ReadLayout, image: Image, builds: Mapping[str, Build], trusted: tuple[PublicKey, ...]
) -> Inspection:
    return Inspection(
        layout, image.data, builds, trusted=trusted, file=image.file, image_file=image.read_from
    )


BLOCK = 1 << 20
"""Bytes that are compared at once."""


def _same_bytes(old: Inspection, before: Span, new: Inspection, after: Span) -> bool:
    return before.size == after.size and all(
        old.bytes_of(Span(before.start + at, size)) == new.bytes_of(Span(after.start + at, size))
        for at in range(0, before.size, BLOCK)
        if (size := min(BLOCK, before.size - at))
    )


def _builds(old: Inspection, new: Inspection) -> Iterator[BuildChange]:
    for name in dict.fromkeys([*new.layout.builds, *old.layout.builds]):
        before, after = old.placed.get(name), new.placed.get(name)
        files = old.builds.get(name), new.builds.get(name)
        stored = before.stored if before else None, after.stored if after else None
        same = stored[0] is not None and stored[1] is not None
        if stored[0] and stored[1]:
            same = _same_bytes(old, stored[0], new, stored[1])
        why = why_not_compared(name, *files) or _not_of_image(name, old, new)
        if files[0] is None or files[1] is None or why:
            yield BuildChange(name, *stored, same, why, (), (), (), 0)
            continue
        symbols = symbol_changes(files[0], files[1])
        sections = tuple(section_changes(files[0], files[1]))
        yield BuildChange(
            name, *stored, same, "", sections, symbols.changed, symbols.moved, symbols.unchanged
        )


def _not_of_image(name: str, *inspections: Inspection) -> str:
    """Why a build's file is not the one in its image, by the record's build id; empty where nothing says so."""
    for word, inspection in zip(("old", "new"), inspections, strict=True):
        entry = inspection.entry_of(name)
        recorded = entry.build_id if entry else b""
        given = inspection.builds[name].build_id
        if recorded and given and recorded != given:
            return (
                f"the {word} image's record has build id {recorded.hex()[:16]}..., the given {word} file "
                f"{given.hex()[:16]}...: give the file that the image was joined from"
            )
    return ""


def _vectors(old: Inspection, new: Inspection) -> Iterator[VectorChange]:
    """Entries whose word differs and whose handler is not the same function at another place; neighbours as one."""
    for name in new.layout.builds:
        tables = old.vector_table(name), new.vector_table(name)
        if tables[0] is None or tables[1] is None:
            continue
        core = tables[1].core
        run: VectorChange | None = None
        for index, (one, other) in enumerate(zip(tables[0].words, tables[1].words, strict=False)):
            names = _function(old, name, one), _function(new, name, other)
            if one == other or (index and names[0] and names[0] == names[1]):
                continue
            change = VectorChange(
                name,
                index,
                index,
                word_name_for(index, core.architecture, core.extensions),
                Address(one),
                Address(other),
                *names,
            )
            if run and run.last == index - 1 and (run.old, run.new) == (change.old, change.new):
                word = group_name(run.first, index, core.architecture, core.extensions)
                run = VectorChange(
                    name, run.first, index, word, run.old, run.new, run.old_symbol, run.new_symbol
                )
                continue
            if run:
                yield run
            run = change
        if run:
            yield run


def _function(inspection: Inspection, name: str, word: int) -> str:
    build = inspection.builds.get(name)
    found = build.symbols.function_at(word) if build and build.symbols and word & 1 else None
    return found[0].name if found and found[1] <= 1 else ""
