"""The timeline as a picture: one lane a core, events where they happened, SVG 1.1 without scripts or fonts.

Time runs from left to right.  As most of it is a core at work with nothing to report, stretches without events
are drawn shorter than they are: a stretch's width grows with the logarithm of its instructions.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from math import log2

from gemel.rehearsal.kinds import ERRORS, UNJUDGED, WARNINGS
from gemel.rehearsal.limits import CAUTION
from gemel.rehearsal.result import Happening, Rehearsal
from gemel.text.escaping import xml_text
from gemel.text.markup import element, label

WIDTH = 1120
LEFT, RIGHT, TOP = 110, 30, 114
LANE, BAR = 104, 18
ROW = 17
MAX_LABELS = 40
"""Events with a line of text below the lanes; the others are marks only."""

STYLE = """
text { font-family: sans-serif; font-size: 12px; fill: #1b1f24 }
.title { font-size: 17px; font-weight: bold }
.dim { fill: #59636e }
.name { font-size: 14px; font-weight: bold }
.run { fill: #bcd6f2; stroke: #33587d }
.reset { fill: none; stroke: #7d8590; stroke-dasharray: 4 3 }
.mark { stroke: #33587d; stroke-width: 2 }
.goal { fill: #1f7a3d } .bad { fill: #b42318 } .warn { fill: #9a6700 } .plain { fill: #33587d }
.release { stroke: #6b3fa0; stroke-width: 2; fill: none }
.tick { stroke: #c8ccd1 }
"""


def picture_of(rehearsal: Rehearsal, style: str = STYLE) -> str:
    """The SVG text; ``style`` is empty where the page that it goes into has one for its classes."""
    events = [
        event for event in rehearsal.events if event.kind not in ("control-register", "vector-register")
    ]
    scale = _Scale(sorted({0, rehearsal.time, *(event.time for event in events)}))
    lanes = {core.name: TOP + index * LANE for index, core in enumerate(rehearsal.cores)}
    parts = [_title(rehearsal)]
    parts += [_lane(rehearsal, name, y, scale) for name, y in lanes.items()]
    parts += _releases(events, lanes, scale)
    shown = _worth_a_label(events)
    numbered = {id(event): number for number, event in enumerate(shown, 1)}
    parts += [_mark(event, lanes[event.core], scale, numbered.get(id(event))) for event in events]
    y = TOP + len(lanes) * LANE + 24
    for event in shown:
        parts.append(_line(event, numbered[id(event)], y))
        y += ROW
    if len(shown) < len(events):
        more = f"{len(events) - len(shown)} more events are marked only"
        parts.append(label(more, class_="dim", x=LEFT, y=y))
        y += ROW
    y += 12
    parts.append(label(CAUTION, class_="dim", x=20, y=y))
    height = y + 24
    picture = element(
        "svg",
        element("style", style) if style else "",
        element("rect", width="100%", height="100%", fill="#ffffff"),
        *parts,
        xmlns="http://www.w3.org/2000/svg",
        width=WIDTH,
        height=height,
        viewBox=f"0 0 {WIDTH} {height}",
        role="img",
        aria_label=_summary(rehearsal),
    )
    return picture + "\n"


class _Scale:
    """From instruction counts to places on the picture."""

    def __init__(self, times: list[int]) -> None:
        weights = [(later, log2(2 + later - earlier)) for earlier, later in pairwise(times)]
        total = sum(weight for _, weight in weights) or 1.0
        self._places = {times[0]: float(LEFT)}
        at = float(LEFT)
        for later, weight in weights:
            at += (WIDTH - LEFT - RIGHT) * weight / total
            self._places[later] = at

    def __call__(self, time: int) -> float:
        return round(self._places[time], 1)


def _summary(rehearsal: Rehearsal) -> str:
    word = "passes" if rehearsal.passes else "fails"
    count = len(rehearsal.findings)
    return f"rehearsal of {rehearsal.product} {word}: {count or 'no'} finding{'' if count == 1 else 's'}"


def _title(rehearsal: Rehearsal) -> str:
    colour = "goal" if rehearsal.passes else "bad"
    ended = f"{rehearsal.time:,} instructions from reset; ended: {rehearsal.ended}"
    return (
        label(_summary(rehearsal), class_=f"title {colour}", x=20, y=32)
        + label(ended, class_="dim", x=20, y=54)
        + label("stretches without events are drawn shorter than they are", class_="dim", x=20, y=72)
    )


def _lane(rehearsal: Rehearsal, name: str, y: int, scale: _Scale) -> str:
    core = next(each for each in rehearsal.cores if each.name == name)
    start = next((e.time for e in rehearsal.events if e.core == name and e.kind == "start"), None)
    first, last = scale(0), scale(rehearsal.time)
    begins = scale(start) if start is not None else last
    ends = next(
        (e.time for e in rehearsal.events if e.core == name and _is_bad(e) and _stops(core.state)), None
    )
    end = scale(ends) if ends is not None else last
    parts = [label(name, class_="name", x=20, y=y + 14), label(core.role, class_="dim", x=20, y=y + 30)]
    if begins > first:
        parts.append(_bar("reset", first, y, begins - first))
        if begins - first > 60:
            parts.append(label("in reset", class_="dim", x=first + 6, y=y + 13))
    if end > begins or start is not None:
        parts.append(_bar("run", begins, y, max(1.0, end - begins)))
    words = f"{core.state}, {core.instructions:,} instructions"
    parts.append(label(words, class_="dim", x=WIDTH - RIGHT, y=y - 6, text_anchor="end"))
    return "".join(parts)


def _bar(kind: str, x: float, y: int, width: float) -> str:
    return element("rect", class_=kind, x=x, y=y, width=f"{width:.1f}", height=BAR)


def _stops(state: str) -> bool:
    return state in ("locked up", "stopped")


def _is_bad(event: Happening) -> bool:
    endless = event.kind == "loops" and "register" not in event.numbers and not event.numbers["interrupts"]
    return endless or event.kind in ERRORS or event.kind in UNJUDGED


def _class_of(event: Happening) -> str:
    if _is_bad(event):
        return "bad"
    if event.kind in WARNINGS:
        return "warn"
    return "goal" if event.kind == "goal" else "plain"


def _worth_a_label(events: list[Happening]) -> list[Happening]:
    """The events to report in words: all but text first, then as many lines of text as there is room for."""
    ranked = sorted(
        range(len(events)),
        key=lambda index: (not _is_bad(events[index]), events[index].kind == "text", index),
    )
    return [events[index] for index in sorted(ranked[:MAX_LABELS])]


def _mark(event: Happening, y: int, scale: _Scale, number: int | None) -> str:
    x, kind = scale(event.time), _class_of(event)
    radius = 5 if number else 3
    words = element("title", xml_text(f"{event.time:,}: {event.text}"))
    shape = element("circle", words, class_=kind, cx=x, cy=y + BAR + 10, r=radius)
    line = element("line", class_="mark", x1=x, y1=y, x2=x, y2=y + BAR)
    if not number:
        return line + shape
    below = y + BAR + 30 + 12 * (number % 3)
    return line + shape + label(str(number), class_=kind, x=x, y=below, text_anchor="middle")


def _line(event: Happening, number: int, y: int) -> str:
    function = event.place.function.partition(" + ")[0] if event.place else ""
    where = f" [{function}]" if function and event.kind not in ("text", "start") else ""
    text = event.text if len(event.text) <= 110 else event.text[:107] + "..."
    return (
        label(str(number), class_=_class_of(event), x=44, y=y, text_anchor="end")
        + label(f"{event.time:,}", class_="dim", x=130, y=y, text_anchor="end")
        + label(event.core, x=144, y=y)
        + label(text + where, class_=_class_of(event), x=230, y=y)
    )


def _releases(events: list[Happening], lanes: dict[str, int], scale: _Scale) -> Iterator[str]:
    """An arrow from each release to the core that starts."""
    for event in events:
        if event.kind != "released":
            continue
        started = next((e for e in events if e.kind == "start" and e.core == event.words["of"]), None)
        x1, y1, y2 = scale(event.time), lanes[event.core] + BAR, lanes[event.words["of"]]
        x2 = scale(started.time) if started else x1
        yield element("path", class_="release", d=f"M {x1} {y1} L {x2} {y2}")
