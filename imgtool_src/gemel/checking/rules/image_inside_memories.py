"""Rule ``image-inside-memories``: the image has bytes in flash and rom only, at their plain addresses."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.windows import Part, Window, parts_of, windows_of
from gemel.inspection.wording import counted, lines_in_short, place_words, sized
from gemel.layout.model import Memory
from gemel.outcomes import Finding, Holds, Outcome
from gemel.spans import Span, format_address, format_size, without

MAX_RUNS = 10_000
"""Runs of stray bytes that are looked at one by one; of more only the number is reported."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each flash or rom memory with bytes, one for each place with stray ones."""
    homes = [memory for memory in inspection.layout.memories.values() if memory.holds_image]
    strays = without(inspection.image.spans(), [memory.span for memory in homes])
    for memory in homes:
        if inspection.image.held_in(memory.span):
            yield Holds(f"memory {memory.name}")
    windows = windows_of(inspection.layout)
    groups: dict[tuple[str, str], list[Span]] = {}
    for stray in strays[:MAX_RUNS]:
        for part in parts_of(stray, windows):
            groups.setdefault(_group(inspection, part), []).append(part.seen)
    for (kind, name), spans in groups.items():
        yield _finding(inspection, kind, inspection.layout.memories[name], spans)
    if len(strays) > MAX_RUNS:
        rest = Span.from_bounds(strays[MAX_RUNS].start, strays[-1].end)
        yield Finding(
            "the image has too many runs of bytes outside flash",
            tuple(inspection.layout.memories),
            where=str(rest),
            found=counted(len(strays) - MAX_RUNS, "more run"),
            expected="bytes in flash and rom only",
            span=rest,
        )


def _group(inspection: Inspection, part: Part) -> tuple[str, str]:
    """How the part strays, and the memory that this concerns."""
    if part.memory:
        return ("alias" if part.memory.holds_image else "memory"), part.memory.name
    for core in inspection.layout.cores:
        for window in windows_of(inspection.layout, core):
            if window.seen.holds(part.seen.start):
                return f"view {core}", window.memory.name
    return "nowhere", _nearest(inspection, part.seen.start).memory.name


def _nearest(inspection: Inspection, address: int) -> Window:
    return min(
        windows_of(inspection.layout),
        key=lambda window: (
            window.seen.start - address if address < window.seen.start else address - window.seen.end
        ),
    )


def _finding(inspection: Inspection, kind: str, memory: Memory, spans: list[Span]) -> Finding:
    homes = [each for each in inspection.layout.memories.values() if each.holds_image]
    expected = ", ".join(f"{each.words}, {each.span}" for each in homes) or "a flash memory in the layout"
    what = f"the image has bytes in {memory.words}"
    hint = "give the section a load address in flash (AT> in the linker script)"
    parties: tuple[str, ...] = (memory.name,)
    if kind == "alias":
        what = f"the image has bytes at an alias of {memory.words}"
        hint = (
            f"move them to its plain addresses, from {format_address(memory.start)} on, and keep them there"
        )
    elif kind.startswith("view "):
        core = kind.removeprefix("view ")
        what = f"the image has bytes where only core {core} sees {memory.words}"
        hint = f"move them to its plain addresses, from {format_address(memory.start)} on"
        parties = (memory.name, core)
    elif kind == "nowhere":
        what = "the image has bytes where the layout has no memory"
        hint = "correct the load address in the linker script, or the memory in the layout"
    size = sum(span.size for span in spans)
    found = sized(spans[0])
    if len(spans) > 1:
        found = f"{format_size(size)} in {len(spans):,} runs, the first at {place_words(spans[0])}"
    lines = lines_in_short([f"run {sized(span)}" for span in spans], "run") if len(spans) > 1 else ()
    if kind == "nowhere":
        lines = (_distance(spans[0], _nearest(inspection, spans[0].start)), *lines)
    extent = Span.from_bounds(spans[0].start, spans[-1].end)
    return Finding(
        what,
        parties,
        where=place_words(extent),
        found=found,
        expected=expected,
        span=extent,
        next_step=hint,
        lines=lines,
    )


def _distance(span: Span, nearest: Window) -> str:
    memory = nearest.memory
    if span.start >= nearest.seen.end:
        gap, side = span.start - nearest.seen.end, "after the end"
    else:
        gap, side = nearest.seen.start - span.start, "before the start"
    words = f"{format_size(gap)} {side}" if gap else "right after the end"
    return f"the nearest memory is {memory.words}, {nearest.seen}: the first byte is {words}"


RULE = Rule(
    name="image-inside-memories",
    severity="error",
    guards="image",
    checks="Every byte of the image is in a flash or rom memory of the layout, at its plain address.",
    why="A programmer cannot write what is outside flash: it stops, or silently skips the bytes. Bytes for RAM "
    "look right under a debugger, which fills RAM itself, and are missing when the device starts on its own. A "
    "raw binary made of such an image spans the gap in between, which can be hundreds of megabytes.",
    remedy="Give every stored section a load address in flash (AT> in the linker script), or correct the "
    "memories of the layout.",
    source="System V gABI, chapter 7, program header, p_paddr; that it is the load address is a convention "
    "of linkers for bare metal; common practice",
    absent="the image holds no byte",
    check=check,
)
