"""Rule ``callable-area-holds-only-veneers``: non-secure code finds no way in besides the gateways."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from gemel.checking.rule import Rule
from gemel.inspection.cores.secure_builds import (
    GATEWAY,
    SECURE,
    VECTOR_UNIT,
    VENEER_SIZE,
    builds_of,
    callable_areas,
    gateways_of,
    veneer_vectors,
)
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import builds_stored_in, concerned, counted, in_short
from gemel.layout.addresses import locate
from gemel.layout.model import Area
from gemel.outcomes import Finding, Holds, Outcome
from gemel.spans import Span, align_down, align_up, format_address, merge, offsets_of

HALFWORD = 2
"""Bytes of the smallest instruction."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each callable area, or one finding for each way in and each other content."""
    for area in callable_areas(inspection.layout):
        span = inspection.layout.span_of(area.name)
        data = inspection.bytes_of(span)
        slots = _slots(data, span.start)
        veneers = [offset for offset, branches in slots.items() if branches]
        findings = [
            *in_short(_other_gateways(area, span, data, slots)),
            *in_short(_unnamed(inspection, area, span, veneers)),
            *in_short(_other_content(inspection, area, span, data, slots)),
        ]
        yield from findings
        if not findings:
            yield Holds(f"area {area.name}, {counted(len(veneers), 'veneer')}")


def _slots(data: bytes, start: int) -> dict[int, bool]:
    """Offsets of SG at multiples of 8: whether a branch follows, as in a veneer."""
    slots = {}
    for offset in range(-start % VENEER_SIZE, len(data) - VENEER_SIZE + 1, VENEER_SIZE):
        if data.startswith(GATEWAY, offset):
            branch = int.from_bytes(data[offset + 4 : offset + 8], "little")
            slots[offset] = branch & 0xD000_F800 == 0x9000_F000
    return slots


def _other_gateways(area: Area, span: Span, data: bytes, slots: dict[int, bool]) -> Iterator[Finding]:
    """SG without a branch, and SG at any other even address: as data, across instructions, of old code."""
    reported = -VENEER_SIZE
    for offset in _gateways(data, span.start):
        if slots.get(offset) or reported <= offset <= reported + VENEER_SIZE - len(GATEWAY):
            continue
        size = len(GATEWAY)
        found, expected = "the instruction SG", "SG only as the first instruction of a veneer"
        if offset in slots:
            reported, size = offset, VENEER_SIZE
            found, expected = "SG without a branch after it", "SG only in a veneer, which is SG and a branch"
        place = Span(span.start + offset, size)
        yield Finding(
            f"non-secure code can enter area {area.name} at a place that is no veneer",
            _parties(area),
            where=f"area {area.name} at {format_address(place.start)}",
            found=f"{data[offset : offset + size].hex(' ')}, {found}",
            expected=expected,
            span=place,
        )


def _named(inspection: Inspection, area: Area) -> dict[int, str]:
    """Where the gateways are that symbols name, each with its build."""
    named = {}
    for plan in builds_stored_in(inspection.layout, area.name):
        build = inspection.builds.get(plan.name)
        for gateway in gateways_of(build) if build else ():
            located = locate(inspection.layout, gateway.address, plan.core) if gateway.address else None
            if located:
                named[located.plain] = plan.name
    return named


def _unnamed(inspection: Inspection, area: Area, span: Span, veneers: list[int]) -> Iterator[Finding]:
    """Veneers that no function of the builds stored there has; nothing where their symbols are missing."""
    plans = builds_stored_in(inspection.layout, area.name)
    builds = [inspection.builds.get(plan.name) for plan in plans]
    if not builds or any(build is None or build.symbols is None for build in builds):
        return
    named = _named(inspection, area)
    for offset in veneers:
        if span.start + offset not in named:
            yield Finding(
                f"non-secure code can enter area {area.name} by a veneer of no function",
                _parties(area, *(plan.name for plan in plans)),
                where=f"area {area.name} at {format_address(span.start + offset)}",
                found="SG and a branch",
                expected=f"a veneer only where a symbol of build {', '.join(plan.name for plan in plans)} names it",
                span=Span(span.start + offset, VENEER_SIZE),
            )


def _other_content(
    inspection: Inspection, area: Area, span: Span, data: bytes, slots: dict[int, bool]
) -> Iterator[Finding]:
    """Bytes that are neither veneers nor free, and what is not zero next to the veneers of a unit of 32."""
    veneers = [offset for offset, branches in slots.items() if branches]
    rest = bytearray(data)
    for offset in slots:
        rest[offset : offset + VENEER_SIZE] = bytes(VENEER_SIZE)
    for offset in _gateways(data, span.start):
        rest[offset : offset + len(GATEWAY)] = bytes(len(GATEWAY))
    erased = re.escape(bytes((inspection.erased_byte_at(span.start),)))
    content = (
        Span(span.start + match.start(), len(match[0]))
        for match in re.finditer(rb"[^\0" + erased + rb"]+", rest)
    )
    padding = [
        Span(span.start + match.start(), len(match[0]))
        for unit in _units(span, veneers, _misaligned(inspection))
        for match in re.compile(erased + b"+").finditer(rest, unit.start - span.start, unit.end - span.start)
        if match[0].strip(b"\0")
    ]
    for place in merge(padding):
        front = place.start < span.start + veneers[0]
        yield Finding(
            f"the veneers of area {area.name} are not padded with zeros",
            _parties(area),
            where=f"area {area.name}, {place}",
            found=f"{counted(place.size, 'erased byte')} {'in front of' if front else 'after'} the veneers",
            expected=f"veneers from a multiple of {VECTOR_UNIT} bytes on"
            if front
            else f"zeros up to the next multiple of {VECTOR_UNIT} bytes, {format_address(place.end)}",
            span=place,
        )
    named = _named(inspection, area)
    for place in _joined(content, span):
        owner = named.get(align_down(place.start, VENEER_SIZE))
        first = data[place.start - span.start :][: min(place.size, 8)]
        yield Finding(
            f"area {area.name} holds something other than veneers",
            _parties(area),
            where=f"area {area.name}, {place}",
            found=f"{first.hex(' ')}{' ...' if place.size > len(first) else ''}",
            expected="veneers, zeros and erased bytes only",
            span=place,
            follows_from=(("veneers-lead-to-entries", owner),) if owner else (),
        )


def _gateways(data: bytes, start: int) -> Iterator[int]:
    """Offsets of every SG at an even address."""
    return (offset for offset in offsets_of(GATEWAY, data) if (start + offset) % 2 == 0)


def _joined(content: Iterable[Span], area: Span) -> list[Span]:
    """Stretches of ``content`` in whole halfwords, as one where less than a veneer is between."""
    whole = (
        Span.from_bounds(
            max(align_down(each.start, HALFWORD), area.start), min(align_up(each.end, HALFWORD), area.end)
        )
        for each in content
    )
    return merge(whole, VENEER_SIZE - 1)


def _units(span: Span, veneers: list[int], misaligned: list[Span]) -> Iterator[Span]:
    """The units of 32 bytes that hold veneers, as far as they are in the area.

    Of a vector that is ``misaligned`` only what is its own: what is around it comes of that fault.
    """
    for start in sorted({align_down(span.start + offset, VECTOR_UNIT) for offset in veneers}):
        unit = Span(start, VECTOR_UNIT).intersection(span)
        vector = next((vector for vector in misaligned if vector.overlaps(unit)), unit)
        yield unit.intersection(vector)


def _misaligned(inspection: Inspection) -> list[Span]:
    """Plain spans of the vectors that rule ``veneers-aligned`` finds."""
    found = []
    for plan in builds_of(inspection.layout, *SECURE):
        build = inspection.builds.get(plan.name)
        for vector in veneer_vectors(build) if build else ():
            located = locate(inspection.layout, vector.start, plan.core)
            if located and vector.start % VECTOR_UNIT:
                found.append(Span(located.plain, vector.size))
    return found


def _parties(area: Area, *names: str) -> tuple[str, ...]:
    return concerned(area.name, *names)


RULE = Rule(
    name="callable-area-holds-only-veneers",
    severity="error",
    guards="device",
    checks="A non-secure-callable area of the image holds veneers in units of 32 bytes filled up with "
    "zeros, and otherwise nothing but zeros and erased bytes, with the instruction SG nowhere else at an "
    "even address.",
    why="Wherever there is an SG in such an area, non-secure code may branch to it and continue in secure state: a "
    "constant, or the halves of two neighbouring instructions, can be such an entry. Anything but veneers may "
    "contain one.",
    remedy="Keep only the section .gnu.sgstubs in the area, at a multiple of 32 bytes, and put constants "
    "and code into secure areas.",
    source='CMSE 1.4, chapter "CMSE support", requirements 5, 9, 12 and 13, secure gateway veneers',
    absent="the layout has no area that is non-secure-callable",
    check=check,
    only_with="security",
)
