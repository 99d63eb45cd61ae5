"""Strips drawn to scale, in SVG without a fixed width: places are per cent of it, so that text keeps its size.

The page's script zooms by setting the same places again from ``data-start`` and ``data-size``.
"""

from __future__ import annotations

from collections.abc import Iterator

from gemel.page.strips import Lane, LanePart, PlacedFinding, Strip
from gemel.spans import Span, format_address, format_size
from gemel.text.escaping import xml_text
from gemel.text.markup import element, fitted, label

LANE, BAR = 42, 22
MARKS, AXIS = 24, 20
TICKS = 4
"""Parts that the axis is cut into."""

MAX_DRAWN = 400
"""Parts of a lane that are drawn; the tables list them all."""

MAX_MARKS = 200


def drawn(strip: Strip) -> str:
    """The strip as an ``svg`` element."""
    parts: list[str] = []
    y = 0
    if strip.findings:
        by_start: dict[int, list[PlacedFinding]] = {}
        for each in strip.findings:
            by_start.setdefault(each.span.start, []).append(each)
        parts += [_mark(each, strip.span) for each in list(by_start.values())[:MAX_MARKS]]
        y = MARKS
    for lane in strip.lanes:
        parts += _lane(lane, strip.span, y)
        y += LANE
    parts += _axis(strip.span, y)
    return element(
        "svg",
        *parts,
        class_="map",
        width="100%",
        height=y + AXIS,
        role="group",
        aria_label=f"{strip.name}, {strip.kind}, {strip.span}, drawn to scale",
        data_start=strip.span.start,
        data_size=strip.span.size,
        data_block=strip.erase_block,
    )


def _share(part: int, whole: int) -> str:
    return f"{100 * part / whole:.5g}%"


def _lane(lane: Lane, whole: Span, y: int) -> Iterator[str]:
    yield label(lane.name, class_="lane", x=0, y=y + 13)
    yield element("rect", class_="ground", x=0, y=y + 17, width="100%", height=BAR)
    for part in lane.parts[:MAX_DRAWN]:
        yield _part(part, whole, y + 17)


def _part(part: LanePart, whole: Span, y: int) -> str:
    inside = part.span.intersection(whole)
    x, width = _share(inside.start - whole.start, whole.size), _share(inside.size, whole.size)
    words = f"{part.name}, {part.note}, {part.span}, {format_size(part.span.size)}"
    place = {"x": x, "y": y, "width": width, "height": BAR}
    return element(
        "a",
        element("title", xml_text(words)),
        element("rect", **place),
        fitted(part.name, **place),
        href=f"#{part.href}",
        class_=f"part {part.kind}" + (f" build-{part.build % 2}" if part.build is not None else ""),
        aria_label=words,
        data_start=part.span.start,
        data_size=part.span.size,
        data_name=part.name,
        data_note=part.note,
    )


def _mark(findings: list[PlacedFinding], whole: Span) -> str:
    """One mark for the findings that begin at one address; it leads to the first, the gravest."""
    first, others = findings[0], findings[1:]
    x = _share(max(0, first.span.start - whole.start), whole.size)
    words = f"finding {first.number}, {first.severity}: {first.what}"
    if others:
        words += f"; findings {', '.join(str(each.number) for each in others)} are at the same address"
    number = f"{first.number}" + (f" +{len(others)}" if others else "")
    sign = element("path", d="M 0 22 L -7 10 L 7 10 Z") + label(number, x=0, y=9, text_anchor="middle")
    return element(
        "a",
        element("title", xml_text(words)),
        element("svg", sign, x=x, y=0, width=1, height=MARKS, overflow="visible"),
        href=f"#finding-{first.number}",
        class_=f"mark {first.severity}",
        aria_label=words,
        data_start=first.span.start,
        data_size=first.span.size,
        data_number=first.number,
        data_count=len(findings),
    )


def _axis(whole: Span, y: int) -> Iterator[str]:
    for number in range(TICKS + 1):
        address = whole.start + whole.size * number // TICKS
        yield label(
            format_address(address if number < TICKS else whole.last),
            class_=f"tick tick-{number}",
            x=_share(number, TICKS),
            y=y + 14,
            text_anchor="start" if number == 0 else "end" if number == TICKS else "middle",
        )
