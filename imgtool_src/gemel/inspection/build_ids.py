"""Build id notes in stored bytes, and what is known of each build's own id."""

from __future__ import annotations

from gemel.builds.elf.notes import MAX_BUILD_ID, BuildIdNote, build_id_notes
from gemel.inspection.inspection import Inspection
from gemel.spans import Span
from gemel.text.wrapping import first_of

WINDOW = 1 << 20
"""Bytes of an image that are searched at once."""
MAX_NOTE = 16 + MAX_BUILD_ID
"""Bytes of the longest note."""


def id_words(ids: list[bytes]) -> str:
    """Build ids for a message, the first of many; ``none`` for none."""
    return first_of(list(dict.fromkeys(each.hex() for each in ids))) or "none"


def recorded_id(inspection: Inspection, name: str) -> bytes | None:
    """The build id that the image's record gives a build; empty if it says that there is none.

    None if there is no sound record or no entry of that name.
    """
    entry = inspection.entry_of(name)
    return entry.build_id if entry else None


def known_id(inspection: Inspection, name: str) -> bytes | None:
    """The build id of a build: of the given file, else of the record; None if neither shows one."""
    build = inspection.builds.get(name)
    return (build.build_id if build else None) or recorded_id(inspection, name) or None


def stored_notes(inspection: Inspection, name: str) -> list[BuildIdNote]:
    """The notes in the bytes that the image holds at the build's place; empty if there is no such place.

    The place is searched a window at a time; windows overlap by the longest note.
    """
    notes: list[BuildIdNote] = inspection.kept(f"notes of {name}", lambda each: _stored_notes(each, name))
    return notes


def _stored_notes(inspection: Inspection, name: str) -> list[BuildIdNote]:
    placed = inspection.placed.get(name)
    if placed is None:
        return []
    found: dict[int, BuildIdNote] = {}
    start, size = placed.stored
    for offset in range(0, size, WINDOW):
        data = inspection.bytes_of(Span(start + offset, min(WINDOW + MAX_NOTE, size - offset)))
        for note in build_id_notes(data):
            found[offset + note.offset] = BuildIdNote(offset + note.offset, note.build_id)
    return list(found.values())
