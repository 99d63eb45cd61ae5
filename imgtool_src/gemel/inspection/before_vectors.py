"""What a build stores before its vector table, and the linker line that puts it elsewhere."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.spans import Span
from gemel.text.escaping import in_toml

if TYPE_CHECKING:
    from gemel.builds.elf.section_table import Section

MAX_SECTIONS = 4
"""Sections before a vector table that are named."""


def sections_before(build: Build, front: Span) -> list[Section]:
    """The stored sections of a build that begin in ``front``, which ends where its vector table starts."""
    found = [
        section
        for section in build.all_sections
        if section.allocated and section.stored and section.span.size and front.holds(section.span.start)
        if front.end not in range(section.span.start, section.span.end)
    ]
    return found[:MAX_SECTIONS]


def words_on(section: Section) -> str:
    """What the section before a vector table is there for, and how it is moved."""
    name = in_toml(section.name)
    if ".note" in section.name:
        return (
            f"Section {name}, {section.span}, is before the vector table, where linkers put a note that no line "
            f"of the script names. This line of SECTIONS, after the section with the vectors, moves it:  "
            f"{line_for(section)}  (FLASH: the region of the vectors)"
        )
    return (
        f"Section {name}, {section.span}, is before the vector table. If it is no header that a boot ROM "
        f"reads there, this line moves it, after the section with the vectors:  "
        f"{line_for(section)}  (FLASH: the region of the vectors)"
    )


def line_for(section: Section) -> str:
    """The line of SECTIONS that gives the section a place of its own."""
    name = in_toml(section.name)
    kept = f"KEEP(*({name}))" if ".note" in section.name else f"*({name})"
    return f"{name} : {{ {kept} }} > FLASH"
