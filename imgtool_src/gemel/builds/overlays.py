"""Overlays of a build: sections that take turns at one place in memory."""

from __future__ import annotations

from itertools import groupby

from gemel.builds.build import Build
from gemel.builds.elf.section_table import Section
from gemel.spans import Span


def overlays_of(build: Build) -> list[list[Section]]:
    """The allocated sections that begin at one run address, by address, two or more of them each."""
    sections = build.all_sections
    used = sorted(
        (each for each in sections if each.allocated and each.span.size), key=lambda each: each.span.start
    )
    groups = [list(group) for _, group in groupby(used, key=lambda each: each.span.start)]
    return [group for group in groups if len(group) > 1]


def load_span_of(build: Build, section: Section) -> Span | None:
    """Where the bytes of a section are stored; None if the file has none for it."""
    for segment in build.stored if section.stored else ():
        offset = section.offset - segment.file_offset
        if 0 <= offset <= len(segment.data) - section.span.size:
            return Span(segment.load_address + offset, section.span.size)
    return None
