"""Rule ``vectors-of-own-build``: no core starts with another build's vector table."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.image.sparse import SparseBytes
from gemel.inspection.cores.vector_tables import (
    named_words,
    place_of,
    table_span,
    tables,
    unexplained,
    words_span,
)
from gemel.inspection.cores.views import described_word
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.inspection.wording import needs_build
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import Span, format_address

SYSTEM_WORDS = 16
"""By these words tables are taken for the same; the others may differ in number."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build: the words of its table in the image against those in its file."""
    for table in tables(inspection):
        yield table if isinstance(table, NotChecked) else _outcome(inspection, table)


def _outcome(inspection: Inspection, table: VectorTable) -> Outcome:
    name, core = table.plan.name, table.core.name
    own = words_in_file(inspection, name)
    unlike = [index for index, word in own.items() if (word,) != table.words[index : index + 1]]
    different, reason = unexplained(inspection, table, unlike)
    if (different or not own) and (other := _whose(inspection, table)):
        return _of_another(inspection, table, other)
    if not own:
        nothing = (
            f"its file stores nothing at {format_address(table.span.start)}, where its vector table should be"
        )
        return NotChecked(f"build {name}", nothing if name in inspection.builds else needs_build(name))
    if reason:
        return NotChecked(f"build {name}, {named_words(different)}", reason)
    if not different:
        return Holds(f"build {name}")
    first = different[0]
    return Finding(
        f"the vector table of build {name} in the image is not that of its file",
        (name, core),
        where=place_of(table, *different),
        found=f"{described_word(inspection, core, table.words[first])} in {named_words([first])}",
        expected=f"{format_address(own[first])}, as in {inspection.builds[name].file}",
        span=words_span(table, different),
    )


def words_in_file(inspection: Inspection, name: str) -> dict[int, int]:
    """The words of a build's vector table that its file holds, by index; empty if it is not given."""
    placement = inspection.placements.get(name)
    if placement is None:
        return {}
    span = table_span(inspection.layout, placement.plan)
    held = SparseBytes()
    for piece in placement.pieces:
        part = piece.span.intersection(span)
        held.write(part.start, piece.segment.data[part.start - piece.address : part.end - piece.address])
    data = held.read(span, 0)
    return {
        index: int.from_bytes(data[4 * index : 4 * index + 4], "little")
        for run in held.held_in(span)
        for index in range(-((span.start - run.start) // 4), (run.end - span.start) // 4)
    }


def _whose(inspection: Inspection, table: VectorTable) -> str:
    """The other given build whose file starts its table as the image does here; empty if none."""
    for name in inspection.placements:
        theirs = words_in_file(inspection, name)
        if name != table.plan.name and all(
            (theirs.get(index),) == table.words[index : index + 1] for index in range(SYSTEM_WORDS)
        ):
            return name
    return ""


def _of_another(inspection: Inspection, table: VectorTable, other: str) -> Finding:
    name, core = table.plan.name, table.core.name
    other_core = inspection.layout.builds[other].core
    return Finding(
        f"core {core} would start with the vector table of build {other}, which is for core {other_core}"
        if other_core != core
        else f"the vector table of build {name} is that of build {other}",
        (name, core, other),
        where=place_of(table),
        found=f"the words of {inspection.builds[other].file}, such as "
        f"{described_word(inspection, core, table.words[1])} for Reset",
        expected=f"the vector table of build {name}",
        span=Span(table.span.start, 4 * SYSTEM_WORDS),
    )


RULE = Rule(
    name="vectors-of-own-build",
    severity="error",
    guards="device",
    checks="The vector table of each build in the image is the one in that build's file, word by word, and "
    "so not that of another build.",
    why="A vector table that looks right is not enough: with the table of the other build, this core runs "
    "the other core's program a second time, and both fight over the same RAM and the same devices while "
    "this core's own program never starts.",
    remedy="Join again from the files that were meant; look for a script that writes into the image after "
    "the join, and for build names that were swapped.",
    source="common practice: a second core that runs the first one's program is a known failure of merged "
    "images",
    absent="the layout has no build in an area of purpose code",
    check=check,
)
