"""What is where a vector table should be, if it is none."""

from __future__ import annotations

import struct
from collections.abc import Callable

from gemel.builds.build import Build
from gemel.layout.model import BuildPlan, Layout
from gemel.placement.placed import PlacedBuild
from gemel.spans import Span
from gemel.structs import NamedTuple


def vector_builds(layout: Layout) -> list[BuildPlan]:
    """The builds that have a vector table: those stored in an area of purpose code."""
    return [plan for plan in layout.builds.values() if layout.areas[plan.stored_in].purpose == "code"]


class Instead(NamedTuple):
    """What is where a vector table should be, and what to do about it."""

    what: str
    next_step: str


NOTE_HEAD = struct.Struct("<III4s")
"""Sizes of name and description, type and name of a build id note (gABI, "Note Section")."""


def instead_of_table(
    layout: Layout,
    plan: BuildPlan,
    bytes_of: Callable[[Span], bytes],
    build: Build | None,
    placed: PlacedBuild | None,
) -> Instead | None:
    """What a linker has put where the table should be: a build id note, or code; None if neither."""
    start = layout.span_of(plan.stored_in).start + plan.vector_offset
    name_size, size, kind, name = NOTE_HEAD.unpack(bytes_of(Span(start, NOTE_HEAD.size)))
    if (name_size, kind, name) == (4, 3, b"GNU\0") and size <= 64:
        return Instead(
            f"a build id note of {size} bytes",
            "place the note after the vectors in the linker script: .note.gnu.build-id : "
            "{ KEEP(*(.note.gnu.build-id)) } behind the section of the vectors",
        )
    if build is None or build.symbols is None or placed is None:
        return None
    address = placed.vector_address
    if build.read_at_run(address, 4) is None:
        return None
    marks = [mark for mark in build.symbols.mapping() if mark.value & ~1 <= address]
    section = next((span for span in build.symbols.code_sections.values() if span.holds(address)), None)
    if (
        section is None
        or not marks
        or not section.holds(marks[-1].value)
        or not marks[-1].name.startswith("$t")
    ):
        return None
    function = build.symbols.function_at(address)
    if function is None or any(each.kind == "object" for each in build.symbols.objects_in(Span(address, 1))):
        return None
    return Instead(
        f"code, {function[0].name}",
        "keep the vectors, which nothing refers to, first in the linker script: KEEP(*(.vectors)), by the name of "
        "their section",
    )
