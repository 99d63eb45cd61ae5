"""Stamps and checksums as the image holds them, next to what they must be."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from gemel.checksums.in_layout import checksum_bytes
from gemel.errors import GemelError, Problem
from gemel.inspection.inspection import Inspection
from gemel.inspection.patch_locations import location_of
from gemel.joining.stamps import StampSources, stamp_bytes
from gemel.layout.model import Checksum, Stamp, StampValue
from gemel.placement.places import covered_spans
from gemel.show.facts.contents import Match, WrittenValue
from gemel.spans import Span, format_address
from gemel.structs import fields


def written_places(inspection: Inspection) -> Iterator[tuple[Literal["stamp", "checksum"], str, Span]]:
    """Kind, name and place of each stamp and checksum whose place can be known."""
    for item in inspection.layout.written:
        if place := inspection.patches.known.get(item.name):  # others are among the values, with the reason
            yield "stamp" if isinstance(item, Stamp) else "checksum", item.name, place


def written_values(inspection: Inspection) -> tuple[WrittenValue, ...]:
    """Every stamp and checksum of the layout, in its order, stamps first."""
    return tuple(_value(inspection, item) for item in inspection.layout.written)


def _value(inspection: Inspection, item: Stamp | Checksum) -> WrittenValue:
    kind: Literal["stamp", "checksum"] = "stamp" if isinstance(item, Stamp) else "checksum"
    try:
        span = location_of(inspection.layout, item, inspection.symbols)
    except GemelError as error:
        reason = _reason(error.problems[0])
        return WrittenValue(kind, item.name, _source(item), None, None, "", "not known", reason)
    held = inspection.bytes_of(span)
    due = due_bytes(inspection, item)
    match: Match = "not known"
    if isinstance(due, bytes):
        match = "matches" if due == held else "differs"
        expected = "" if due == held else _shown(item, due)
    else:
        expected = due
    return WrittenValue(kind, item.name, _source(item), span, held, _shown(item, held), match, expected)


def due_bytes(inspection: Inspection, item: Stamp | Checksum) -> bytes | str:
    """The bytes that must be there, or why that is not known."""
    needed = _builds_needed(item) & set(inspection.layout.builds)
    if missing := sorted(needed - set(inspection.placed)):
        return f"build {missing[0]} is not in the image"
    try:
        if isinstance(item, Checksum):
            covered = covered_spans(inspection.layout, item, inspection.placed)
            due = checksum_bytes(inspection.layout, inspection.image, item, covered)
        else:
            due = stamp_bytes(
                item, StampSources(inspection.layout, inspection.image, inspection.placed, *inspection.meant)
            )
    except GemelError as error:
        return _reason(error.problems[0])
    return _reason(due) if isinstance(due, Problem) else due


def _reason(problem: Problem) -> str:
    """Why something is not known, in a few words."""
    return problem.next_step or f"{problem.what}: {problem.found}".rstrip(": ")


def _builds_needed(item: Stamp | Checksum) -> set[str]:
    if isinstance(item, Checksum):
        ranges = (*item.over, *item.exceptions)
        return {each.build for each in ranges if hasattr(each, "build")}
    if not isinstance(item.value, StampValue):
        return set()
    return {value for _, value in _set_keys(item.value) if isinstance(value, str)}


def _set_keys(value: StampValue) -> list[tuple[str, object]]:
    return [(name, found) for name in fields(value) if (found := getattr(value, name)) is not None]


def _source(item: Stamp | Checksum) -> str:
    if isinstance(item, Checksum):
        if isinstance(item.algorithm, str):
            return item.algorithm
        return f"CRC of {item.algorithm.width} bits, polynomial {item.algorithm.poly:#x}"
    if not isinstance(item.value, StampValue):
        return "a fixed value"
    name, value = _set_keys(item.value)[0]
    if name == "rollback":
        return "the rollback counter"
    if name == "version":
        return f"the version, {value}"
    return f"{name.replace('_', ' ')} {value}".replace("sha256", "SHA-256")


def _shown(item: Stamp | Checksum, data: bytes) -> str:
    """The value for people: a number with its digits, an address, a text or bytes, as it was meant."""
    if isinstance(item, Checksum):
        return f"0x{data[:: -1 if item.byte_order == 'little' else 1].hex().upper()}"
    value = item.value
    meant = _set_keys(value)[0] if isinstance(value, StampValue) else ("", value)
    if isinstance(value, str) or meant == ("version", "text"):
        return repr(data.rstrip(b"\0").decode("utf-8", "backslashreplace"))
    if meant[0] in ("build_id_of", "sha256_of"):
        return data.hex()
    number = int.from_bytes(data, item.byte_order)
    if meant == ("version", "packed"):
        return f"{number >> 24}.{number >> 16 & 0xFF}.{number & 0xFFFF} (0x{number:0{2 * len(data)}X})"
    if meant[0] in ("start_of", "end_of", "run_start_of", "vectors_of"):
        return format_address(number)
    return f"{number:,} (0x{number:0{2 * len(data)}X})"
