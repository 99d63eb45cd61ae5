"""What a draft says of vector tables: what is before one, where it is in its area, and when no core can use it."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.draft.evidence import Evidence
from gemel.draft.guesses import AreaGuess
from gemel.inspection.before_vectors import sections_before, words_on
from gemel.spans import Span, format_address, format_size


def vector_offset(seen: Evidence, stored: AreaGuess, runs: AreaGuess | None) -> int:
    """Bytes from the start of the area that a build is stored in to its vector table; 0 if it has none."""
    if seen.vectors is None:
        return 0
    if seen.without_place and runs:
        return seen.vectors.run_address - runs.span.start
    inside = stored.span.holds(seen.vectors.load_address)
    return seen.vectors.load_address - stored.span.start if inside else 0


def misaligned_words(seen: Evidence) -> str:
    """Why no core can use the table of a build, and what puts it right; empty where its address is sound."""
    if seen.vectors is None or seen.vectors.run_address % seen.vectors.alignment == 0:
        return ""
    vectors = seen.vectors
    return (
        f"The vector table of {seen.name} is misaligned: it is at {format_address(vectors.run_address)}, and a table "
        f"of {len(vectors.words)} words must be at a multiple of {vectors.alignment} (0x{vectors.alignment:X}). "
        f"The core ignores the low bits of the address and starts with other words. In the linker script, "
        f"place the vectors first in their region, or write . = ALIGN({vectors.alignment}); before them."
    )


def before_vectors(seen: Evidence, stored: AreaGuess) -> Iterator[str]:
    """What a build stores before its vector table in the same area, and the linker line that moves it."""
    if seen.vectors is None or not stored.span.holds(seen.vectors.load_address):
        return
    before = Span.from_bounds(stored.span.start, seen.vectors.load_address)
    front = Span(seen.vectors.run_address - before.size, before.size)
    spans = [span.intersection(before) for span in seen.stored]
    size = sum(span.size for span in spans)
    if not size:
        return
    sections = sections_before(seen.build, front)
    yield from map(words_on, sections)
    if not sections:
        yield (
            f"{format_size(size)} are before the vector table, from {format_address(front.start)}: a header that "
            f"a boot ROM reads, or a note? In the linker script the first line of the region decides, as "
            f"KEEP(*(.vectors)) does."
        )
