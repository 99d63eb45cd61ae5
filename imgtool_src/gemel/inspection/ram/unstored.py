"""Sections that take memory at run time and have no bytes in the file, and names that say that one is not cleared."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.builds.build import Build

if TYPE_CHECKING:
    from gemel.builds.elf.section_table import Section

KEPT = ("noinit", "uninit", "persist", "retain", "retention", "keep", "backup", "heap", "stack")
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


def named_as(words: tuple[str, ...], name: str) -> bool:
    """Whether one of ``words`` is in a name, underscores left out."""
    plain = name.lower().replace("_", "")
    return any(word in plain for word in words)
