"""The timeline as a picture: one lane a core, events where they happened, SVG 1.1 without scripts or fonts.

Time runs from left to right.  As most of it is a core at work with nothing to report, stretches without events
are drawn shorter than they are: a stretch's width grows with the logarithm of its instructions.
"""

from __future__ import annotations

from itertools import pairwise
from math import log2

from gemel.rehearsal.kinds import ERRORS, UNJUDGED, WARNINGS
from gemel.rehearsal.limits import CAUTION
from gemel.rehearsal.result import Happening, Rehearsal
from gemel.text.escaping import xml_text

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
    events = [event for event in rehearsal.events if event.kind != "vector-register"]
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
        parts.append(f'<text class="dim" x="{LEFT}" y="{y}">{more}</text>')
        y += ROW
    y += 12
    parts.append(f'<text class="dim" x="20" y="{y}">{xml_text(CAUTION)}</text>')
    height = y + 24
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{height}" '
        f'viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{xml_text(_summary(rehearsal))}">'
        + (f"<style>{style}</style>" if style else "")
        + '<rect width="100%" height="100%" fill="#ffffff"/>'
        + "".join(parts)
        + "</svg>\n"
    )


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
    return (
        f'<text class="title {colour}" x="20" y="32">{xml_text(_summary(rehearsal))}</text>'
        f'<text class="dim" x="20" y="54">{rehearsal.time:,} instructions from reset; ended: '
        f"{xml_text(rehearsal.ended)}</text>"
        '<text class="dim" x="20" y="72">stretches without events are drawn shorter than they are</text>'
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
    parts = [f'<text class="name" x="20" y="{y + 14}">{xml_text(name)}</text>']
    parts.append(f'<text class="dim" x="20" y="{y + 30}">{xml_text(core.role)}</text>')
    if begins > first:
        parts.append(f'<rect class="reset" x="{first}" y="{y}" width="{begins - first:.1f}" height="{BAR}"/>')
        if begins - first > 60:
            parts.append(f'<text class="dim" x="{first + 6}" y="{y + 13}">in reset</text>')
    if end > begins or start is not None:
        width = max(1.0, end - begins)
        parts.append(f'<rect class="run" x="{begins}" y="{y}" width="{width:.1f}" height="{BAR}"/>')
    words = f"{core.state}, {core.instructions:,} instructions"
    parts.append(
        f'<text class="dim" x="{WIDTH - RIGHT}" y="{y - 6}" text-anchor="end">{xml_text(words)}</text>'
    )
    return "".join(parts)


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
    circle = f'<circle class="{kind}" cx="{x}" cy="{y + BAR + 10}" r="{radius}">'
    shape = f"{circle}<title>{xml_text(_told(event))}</title></circle>"
    line = f'<line class="mark" x1="{x}" y1="{y}" x2="{x}" y2="{y + BAR}"/>'
    label = ""
    if number:
        below = y + BAR + 30 + 12 * (number % 3)
        label = f'<text class="{kind}" x="{x}" y="{below}" text-anchor="middle">{number}</text>'
    return line + shape + label


def _told(event: Happening) -> str:
    return f"{event.time:,}: {event.text}"


def _line(event: Happening, number: int, y: int) -> str:
    function = event.place.function.partition(" + ")[0] if event.place else ""
    where = f" [{function}]" if function and event.kind not in ("text", "start") else ""
    text = event.text if len(event.text) <= 110 else event.text[:107] + "..."
    return (
        f'<text class="{_class_of(event)}" x="44" y="{y}" text-anchor="end">{number}</text>'
        f'<text class="dim" x="130" y="{y}" text-anchor="end">{event.time:,}</text>'
        f'<text x="144" y="{y}">{xml_text(event.core)}</text>'
        f'<text class="{_class_of(event)}" x="230" y="{y}">{xml_text(text + where)}</text>'
    )


def _releases(events: list[Happening], lanes: dict[str, int], scale: _Scale) -> list[str]:
    """An arrow from each release to the core that starts."""
    parts = []
    for event in events:
        if event.kind != "released":
            continue
        started = next((e for e in events if e.kind == "start" and e.core == event.words["of"]), None)
        x1, y1, y2 = scale(event.time), lanes[event.core] + BAR, lanes[event.words["of"]]
        x2 = scale(started.time) if started else x1
        parts.append(f'<path class="release" d="M {x1} {y1} L {x2} {y2}"/>')
    return parts
