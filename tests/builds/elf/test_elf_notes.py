"""The build id and where it is found."""

from __future__ import annotations

import struct

import pytest
from elf_writer import SegmentSpec, build_id_note, note
from reading_builds import CODE, FLASH, read_elf

ID = bytes(range(0xA0, 0xB4))


@pytest.mark.parametrize("options", [{}, {"note_segment": True}, {"note_segment": True, "sections": False}])
def test_build_id(options: dict[str, bool]) -> None:
    """The note is found through its section, its segment, or both."""
    build = read_elf(build_id=ID, **options)
    assert build.build_id == ID
    assert build.reason_for("build id") == ""


@pytest.mark.parametrize("size", [1, 8, 16, 20, 64])
def test_sizes(size: int) -> None:
    """Build ids of any usual size are read without their padding."""
    assert read_elf(build_id=ID[:1] * size).build_id == ID[:1] * size


NOTES = {
    "after another note": (note(b"other\0", 1, b"12345") + build_id_note(ID), ID),
    "same id twice": (build_id_note(ID) * 2, ID),
    "other type": (note(b"GNU\0", 1, ID), "no build id note"),
    "other name": (note(b"GNI\0", 3, ID), "no build id note"),
    "name without its end": (note(b"GNU", 3, ID), "no build id note"),
    "no description": (note(b"GNU\0", 3, b""), "no build id note"),
    "no notes": (b"", "no build id note"),
    "cut": (build_id_note(ID)[:-1], "no build id note"),
    "name size near 4 GiB": (struct.pack("<III", 0xFFFF_FFFD, 20, 3) + b"GNU\0" + ID, "no build id note"),
    "size near 4 GiB": (struct.pack("<III", 4, 0xFFFF_FFFF, 3) + b"GNU\0" + ID, "no build id note"),
    "two ids": (build_id_note(ID) + build_id_note(ID[::-1]), "2 build ids that differ"),
    "too long": (build_id_note(bytes(65)), "65 bytes, more than 64"),
    "too many notes": (bytes(1 << 17), "exceed 65,536 bytes"),
}


@pytest.mark.parametrize("name", NOTES)
def test_notes(name: str) -> None:
    """A build id needs a whole note of the right name and type (gABI, "Note Section"), and only one."""
    data, expected = NOTES[name]
    build = read_elf(notes=data)
    if isinstance(expected, bytes):
        assert build.build_id == expected
    else:
        assert build.build_id is None
        assert expected in build.reason_for("build id")


def test_note_past_the_end() -> None:
    """A note section outside the file is missing with its reason."""
    build = read_elf(build_id=ID, section_headers={".note.gnu.build-id": {"sh_offset": 0xFFFF_FFF0}})
    assert build.build_id is None
    assert "outside the file" in build.reason_for("build id")


def test_note_like_bytes_in_code_are_not_taken() -> None:
    """A note inside loadable bytes may be another build's; it is not taken for this one's."""
    build = read_elf(CODE, SegmentSpec(FLASH + 0x100, build_id_note(ID)))
    assert build.build_id is None


def test_many_note_sections_are_read_within_a_budget() -> None:
    """A thousand note segments over the same large place cost no more than one."""
    places = [SegmentSpec(0, bytes(65_000), type=4, offset=52)] * 900
    build = read_elf(SegmentSpec(FLASH, bytes(80_000)), *places, build_id=ID)
    assert build.segments
