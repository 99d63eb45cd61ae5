"""An image taken apart into one HEX and one binary file a build, which join gives the same bytes again."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import islice
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.errors import GemelError, Problem, UsageProblem
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import sized
from gemel.layout.model import LEFT_ALONE, BuildPlan, Checksum, Layout, Stamp, SymbolPlace
from gemel.layout.reader import ReadLayout
from gemel.outcomes import Finding
from gemel.show.facts.values import due_bytes
from gemel.spans import Span, format_address, format_size, offsets_of
from gemel.structs import Struct

if TYPE_CHECKING:
    from gemel.image.image import Image

MAX_PART = 32 << 20
"""Bytes of a build, holes and all, that are written as a part: a file of HEX is three times as large."""

PlacesByName = dict[str, tuple[Span, ...]]


class Split(Struct):
    """The files by name, and remarks on what could not be written."""

    files: dict[str, bytes]
    remarks: tuple[Problem, ...]


def split(layout: ReadLayout, image: Image, builds: Mapping[str, Build] | None = None) -> Split:
    """The parts of an image: ``NAME.hex``, ``NAME.bin`` and ``NAME.part.toml`` for each build of the layout.

    ``builds`` are ELF files, which say where symbols are that the layout writes to; without one, a place is found by
    the value that the image has there.  Raises UsageProblem for builds that are not found in the image, or whose
    bytes are not those that its record was made for: joined again, nothing would show that they were changed.
    """
    inspection = Inspection(layout, image.data, builds or {}, entry=image.entry)
    if missing := [name for name in layout.layout.builds if name not in inspection.placed]:
        raise UsageProblem(
            "builds are not in the image",
            where=image.file,
            found=f"no byte of {', '.join(missing)}",
            expected="every build of the layout, by the image's record or in its area",
            next_step="give the layout that the image was joined by, or the builds' ELF files",
        )
    _refuse_large(inspection, image.file)
    _refuse_changed(inspection, image.file)
    files: dict[str, bytes] = {}
    remarks = list(_without_record(inspection, image.file))
    for plan in layout.layout.builds.values():
        part = _part(inspection, plan)
        places = _places(inspection, plan.name)
        files |= _files_of(inspection, plan, part, places)
        remarks += _remarks(inspection, plan, part, places)
    remarks += _in_no_part(inspection, image.file)
    return Split(files, tuple(remarks))


def _refuse_large(inspection: Inspection, file: str) -> None:
    large = [
        Problem(
            f"build {name} is too large for a part",
            where=file,
            found=sized(placed.stored),
            expected=f"at most {format_size(MAX_PART)}, what is erased between its bytes included",
            next_step="make its area in the layout smaller, or take the bytes from the image",
        )
        for name, placed in inspection.placed.items()
        if placed.stored.size > MAX_PART
    ]
    if large:
        raise UsageProblem(large)


def _refuse_changed(inspection: Inspection, file: str) -> None:
    from gemel.checking.rules.record_digests_match import RULE

    step = "get the image again; gemel check says what else is wrong with it"
    changed = [
        Problem(
            each.what, where=f"{file}, {each.where}", found=each.found, expected=each.expected, next_step=step
        )
        for each in RULE.check(inspection)
        if isinstance(each, Finding)
    ]
    if changed:
        raise UsageProblem(changed)


def _without_record(inspection: Inspection, file: str) -> Iterator[Problem]:
    if inspection.layout.record and inspection.record is None:
        what = "the image has no sound record: nothing shows whether its bytes are those that were joined"
        yield Problem(what, where=file, next_step="run gemel check before the parts are used")


def _in_no_part(inspection: Inspection, file: str) -> Iterator[Problem]:
    """What the image holds that a join of the parts does not write again."""
    from gemel.inspection.image_bytes import not_erased

    steps = dict.fromkeys(LEFT_ALONE, "keep the image, if the device needs them")
    for area in inspection.layout.areas.values():
        span = inspection.layout.span_of(area.name)
        step = {**steps, "seal": "sign what is joined from the parts: gemel join --key"}.get(area.purpose)
        if step and not_erased(inspection.image, span, inspection.erased_byte_at(span.start)):
            what = f"the bytes of area {area.name} (purpose {area.purpose}) are in no part"
            yield Problem(what, where=f"{file}, {span}", next_step=step)


def _part(inspection: Inspection, plan: BuildPlan) -> SparseBytes:
    """The bytes of one build: what is stored of it in its area, and what is written in its further areas."""
    part = SparseBytes()
    stored = inspection.placed[plan.name].stored
    part.write(stored.start, inspection.bytes_of(stored))
    for area in plan.also_stored_in:
        for start, piece in inspection.image.pieces(inspection.layout.span_of(area)):
            part.write(start, piece)
    return part


def _files_of(
    inspection: Inspection, plan: BuildPlan, part: SparseBytes, places: PlacesByName
) -> dict[str, bytes]:
    from gemel.builds.part_notes import SUFFIX, part_text
    from gemel.image import intel_hex

    bounds = part.bounds() or Span(0, 0)
    entry = inspection.entry if inspection.entry is not None and bounds.holds(inspection.entry & ~1) else None
    data = part.read(bounds, 0xFF)
    files = {f"{plan.name}.hex": b"".join(intel_hex.encode(part, entry))}
    if _fits_binary(inspection.layout, plan, part):
        files[f"{plan.name}.bin"] = data
    text = part_text(data, _build_id(inspection, plan.name), entry, places)
    files[f"{plan.name}{SUFFIX}"] = text.encode("utf-8")
    return files


def _fits_binary(layout: Layout, plan: BuildPlan, part: SparseBytes) -> bool:
    """Whether a raw binary, which begins where the build's area begins, can hold the build as it is."""
    return len(part.spans()) == 1 and part.spans()[0].start == layout.span_of(plan.stored_in).start


def _build_id(inspection: Inspection, name: str) -> bytes | None:
    entry = inspection.entry_of(name)
    return inspection.placed[name].build_id or (entry.build_id or None if entry else None)


def _remarks(
    inspection: Inspection, plan: BuildPlan, part: SparseBytes, places: PlacesByName
) -> Iterator[Problem]:
    if not _fits_binary(inspection.layout, plan, part):
        yield Problem(
            f"{plan.name}.bin is not written: a raw binary cannot hold build {plan.name}",
            found=", ".join(map(str, part.spans()[:4])),
            expected=f"one run from {format_address(inspection.layout.span_of(plan.stored_in).start)} on",
            next_step=f"use {plan.name}.hex",
        )
    for symbol, spans in places.items():
        if len(spans) > 1:
            yield Problem(
                f"the place of symbol {symbol} of build {plan.name} is one of {len(spans)}",
                found=", ".join(format_address(span.start) for span in spans[:4]),
                expected="one, to write another value there",
                next_step=f"give the build's ELF file: {plan.name}=FILE.elf",
            )
    known = set(places)
    for item in _items_of(inspection.layout, plan.name):
        if isinstance(item.at, SymbolPlace) and item.at.symbol not in known:
            yield Problem(
                f"the place of symbol {item.at.symbol} of build {plan.name} is not found",
                where=item.name,
                expected="the value that the layout gives, in the build's bytes",
                next_step=f"give the build's ELF file: {plan.name}=FILE.elf, to join the part again",
            )


def _items_of(layout: Layout, build: str) -> list[Stamp | Checksum]:
    return [item for item in layout.written if isinstance(item.at, SymbolPlace) and item.at.build == build]


def _places(inspection: Inspection, build: str) -> PlacesByName:
    """Where the symbols of a build are that the layout names: by its ELF file, or by the values written there."""
    places: PlacesByName = {}
    for symbol in _named(inspection.layout, build):
        try:
            places[symbol] = (inspection.symbols.span_of(build, symbol),)
        except GemelError:
            continue
    for item in _items_of(inspection.layout, build):
        if not isinstance(item.at, SymbolPlace) or item.at.symbol in places:
            continue
        if found := _found_by_value(inspection, build, item, item.at.offset):
            places[item.at.symbol] = found
    return places


def _named(layout: Layout, build: str) -> list[str]:
    names = [item.at.symbol for item in _items_of(layout, build) if isinstance(item.at, SymbolPlace)]
    for plan in layout.builds.values():
        if plan.copied_by and plan.copied_by.build == build:
            names += [symbol for _, symbol in plan.copied_by.symbols]
    for contract in layout.contracts.values():
        if contract.boot_symbol and contract.boot_symbol.build == build:
            names.append(contract.boot_symbol.symbol)
    return list(dict.fromkeys(names))


def _found_by_value(
    inspection: Inspection, build: str, item: Stamp | Checksum, offset: int
) -> tuple[Span, ...]:
    """Every place in a build's bytes that holds the value of a stamp or checksum, as its type is aligned."""
    from gemel.builds.part_notes import MAX_PLACES

    value = due_bytes(inspection, item)
    if not value or not isinstance(value, bytes):
        return ()
    stored = inspection.placed[build].stored
    data = inspection.bytes_of(stored)
    unit = len(value) if len(value) in (2, 4, 8) else 1  # natural alignment (AAPCS32, fundamental data types)
    found = (at for at in offsets_of(value, data, offset) if (stored.start + at) % unit == 0)
    return tuple(Span(stored.start + at - offset, offset + len(value)) for at in islice(found, MAX_PLACES))
