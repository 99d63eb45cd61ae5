"""Sections without bytes in the file or outside of their segment, and names that say that one is not cleared."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.builds.build import Build

if TYPE_CHECKING:
    from gemel.builds.elf.section_table import Section
    from gemel.builds.segment import Segment

KEEPING = ("noinit", "uninit", "persist", "retain", "retention", "keep", "backup")
KEPT = (*KEEPING, "heap", "stack")
"""Parts of names, without underscores, of what is not cleared on purpose; common practice."""


def unstored_sections(build: Build) -> list[Section]:
    """The sections that take memory at run time and have no bytes in the file, such as cleared data.

    Those of thread-local data (``.tbss``) are left out: their addresses are those of what follows.
    """
    return [
        section
        for section in build.all_sections
        if section.allocated
        and not section.stored
        and section.span.size
        and not section.name.startswith(".tbss")
    ]


def sections_outside(build: Build, segment: Segment) -> Iterator[Section]:
    """The sections at addresses of a segment of which the file has other bytes than the segment."""
    for section in build.all_sections if build.source else ():
        if section.allocated and section.stored and segment.run_span.covers(section.span):
            start = section.span.start - segment.run_address
            data = segment.data[start : start + section.span.size]
            if build.source and data and data != build.source.read(section.offset, len(data)):
                yield section


def named_as(words: tuple[str, ...], name: str) -> bool:
    """Whether one of ``words`` is in a name, underscores left out."""
    plain = name.lower().replace("_", "")
    return any(word in plain for word in words)
