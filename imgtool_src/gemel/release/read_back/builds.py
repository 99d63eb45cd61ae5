"""Each build's own bytes, as another library reads them, compared with what the image holds there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from gemel.layout.model import BuildPlan, Layout
from gemel.release.read_back.readers import ReadBackError, Runs, read_elf, read_hex, read_s_record
from gemel.spans import Span, format_address, without
from gemel.structs import NamedTuple

LIBRARIES = {"elf": "pyelftools", "hex": "intelhex", "srec": "bincopy", "bin": "the raw bytes"}
"""What reads each kind of build."""


class BuildFile(NamedTuple):
    """A build's file: its name, its format (a key of ``LIBRARIES``) and its bytes."""

    file: str
    kind: str
    data: bytes


class Compared(NamedTuple):
    """How many bytes of a build were compared, and the first that the image has otherwise, if any."""

    size: int
    different: int | None = None
    found: str = ""
    expected: str = ""


def compare(
    layout: Layout, plan: BuildPlan, build: BuildFile, image: Runs, written_later: Sequence[Span]
) -> Compared:
    """Compare a build's bytes with those of the image, but for the spans that a join itself writes.

    Where two load segments claim one address with different bytes, the image must hold one of them.  Raises
    ReadBackError where the library cannot read the file, or bytes are in no memory of the layout.
    """
    pieces = [(_stored_at(layout, plan, start), data) for start, data in _pieces(layout, plan, build)]
    size = 0
    for start, data in pieces:
        for span in without([Span(start, len(data))], written_later):
            size += span.size
            wanted = data[span.start - start : span.end - start]
            for at in _differing(_held(image, span), wanted):
                address = span.start + at
                found = _held(image, Span(address, 1))[0]
                if not any(
                    found == other[address - begin]
                    for begin, other in pieces
                    if begin <= address < begin + len(other)
                ):
                    words = "nothing" if found is None else f"0x{found:02X}"
                    return Compared(size, address, words, f"0x{wanted[at]:02X}")
    return Compared(size)


def _pieces(layout: Layout, plan: BuildPlan, build: BuildFile) -> list[tuple[int, bytes]]:
    if build.kind == "elf":
        return read_elf(build.data)
    if build.kind == "bin":
        return [(layout.span_of(plan.stored_in).start, build.data)]
    return list((read_hex if build.kind == "hex" else read_s_record)(build.data).runs)


def _stored_at(layout: Layout, plan: BuildPlan, address: int) -> int:
    """The plain address at which a byte of load address ``address`` is stored; raises ReadBackError for none.

    A load address is one that the core or the programmer sees, or of RAM in the area that the build runs in.
    """
    plain = []
    for memory in layout.memories.values():
        starts = (memory.views.get(plan.core, memory.start), memory.start, *memory.aliases)
        plain += [memory.start + address - start for start in starts if 0 <= address - start < memory.size]
    for area in layout.spans_of_build(plan):
        for each in plain:
            if area.start <= each < area.end:
                return each
    if plan.runs_in:
        run, stored = layout.span_of(plan.runs_in), layout.span_of(plan.stored_in)
        for each in plain:
            if run.start <= each < run.end:
                return stored.start + each - run.start
    if not plain:
        raise ReadBackError(f"bytes to load at {format_address(address)}, where the layout has no memory")
    return plain[0]


def _held(image: Runs, span: Span) -> list[int | None] | bytes:
    """What the image holds of ``span``: its bytes, with None in the list for those that it does not hold."""
    for start, data in image:
        if start <= span.start and span.end <= start + len(data):
            return data[span.start - start : span.end - start]
    found: list[int | None] = [None] * span.size
    for start, data in image:
        first, last = max(start, span.start), min(start + len(data), span.end)
        if first < last:
            found[first - span.start : last - span.start] = data[first - start : last - start]
    return found


def _differing(found: list[int | None] | bytes, wanted: bytes) -> Iterator[int]:
    if found != wanted:
        yield from (at for at, (one, two) in enumerate(zip(found, wanted, strict=True)) if one != two)
