"""The build id: a note that names one link.

Layout of a note (gABI, "Note Section"; each part padded to 4 bytes)::

    u32 name size, u32 description size, u32 type, name, description

The build id has the name ``GNU`` and type 3; both must match.  It is a digest or random number that
the linker made, in most cases of 16 or 20 bytes.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from gemel.image.sparse import Octets
from gemel.spans import align_up, offsets_of
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.source import ByteSource

MAX_NOTES = 1 << 16
"""Bytes of notes that are read at most, over all places."""

MAX_BUILD_ID = 64
"""A longer build id than this is refused; the record has room for less."""

_NOTE = struct.Struct("<III")
_BUILD_ID_TYPE = 3
_BUILD_ID_NAME = b"GNU\0"


_TYPE_AND_NAME = _BUILD_ID_TYPE.to_bytes(4, "little") + _BUILD_ID_NAME
"""What stands after the two sizes of a build id note."""


class BuildIdNote(NamedTuple):
    """A build id and the offset of its note in the bytes that were searched."""

    offset: int
    build_id: bytes


class Note(NamedTuple):
    """One note; ``name`` with its terminator."""

    name: bytes
    type: int
    description: bytes


def notes_in(data: bytes) -> Iterator[Note]:
    """The notes in ``data`` in order; ends silently at the first that does not fit."""
    at = 0
    while at + _NOTE.size <= len(data):
        name_size, description_size, kind = _NOTE.unpack_from(data, at)
        name_at = at + _NOTE.size
        description_at = name_at + align_up(name_size, 4)
        if description_at + description_size > len(data):
            return
        yield Note(
            data[name_at : name_at + name_size],
            kind,
            data[description_at : description_at + description_size],
        )
        at = description_at + align_up(description_size, 4)


def build_id_notes(data: Octets) -> list[BuildIdNote]:
    """The build id notes in ``data``, at any offset (an array holds them where it likes), in their order."""
    octets = bytes(data)
    found = []
    for at in offsets_of(_TYPE_AND_NAME, octets):
        name_size = int.from_bytes(octets[max(0, at - 8) : at - 4], "little") if at >= 8 else 0
        size = int.from_bytes(octets[at - 4 : at], "little") if at >= 8 else 0
        start = at + len(_TYPE_AND_NAME)
        if name_size == len(_BUILD_ID_NAME) and 0 < size <= MAX_BUILD_ID and start + size <= len(octets):
            found.append(BuildIdNote(at - 8, octets[start : start + size]))
    return found


def misplaced_note(data: bytes) -> str:
    """What to do about stored bytes that are a build id note alone; empty if they are anything else."""
    if len(data) > MAX_NOTES or [note.type for note in notes_in(data)] != [_BUILD_ID_TYPE]:
        return ""
    (note,) = build_id_notes(data) or (None,)
    if (
        note is None
        or note.offset
        or len(data) != _NOTE.size + len(_BUILD_ID_NAME) + align_up(len(note.build_id), 4)
    ):
        return ""
    return (
        "these bytes are the build id note, for which the linker script names no place: add .note.gnu.build-id : "
        "{ KEEP(*(.note.gnu.build-id)) } after the section of the vectors, or link with --build-id=none"
    )


def read_build_id(source: ByteSource, places: Iterable[tuple[int, int]]) -> tuple[bytes | None, str]:
    """The build id from the notes at ``places`` ((offset, size) in the file), or None and the reason."""
    found: set[bytes] = set()
    unread = False
    budget = MAX_NOTES
    for offset, size in dict.fromkeys(places):
        if size > budget or offset + size > source.size:
            unread = True
            continue
        budget -= size
        found.update(
            note.description
            for note in notes_in(source.read(offset, size))
            if note.type == _BUILD_ID_TYPE and note.name == _BUILD_ID_NAME and note.description
        )
    if len(found) > 1:
        return None, f"the file holds {len(found)} build ids that differ"
    if not found:
        if unread:
            return None, f"its notes are outside the file or exceed {MAX_NOTES:,} bytes"
        return None, "the file holds no build id note (link with --build-id and keep its section)"
    build_id = found.pop()
    if len(build_id) > MAX_BUILD_ID:
        return None, f"the build id has {len(build_id):,} bytes, more than {MAX_BUILD_ID}"
    return build_id, ""
