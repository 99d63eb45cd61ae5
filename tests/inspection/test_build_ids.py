"""Build id notes found in stored bytes, against the reader of whole note sections."""

from __future__ import annotations

import pytest
import small_device
from elf_writer import build_id_note, note
from hypothesis import given
from hypothesis import strategies as st

from gemel.builds.elf.notes import MAX_BUILD_ID, build_id_notes, notes_in
from gemel.image.sparse import SparseBytes
from gemel.inspection import build_ids
from gemel.inspection.build_ids import id_words, stored_notes
from gemel.inspection.inspection import Inspection


@given(
    before=st.binary(max_size=40),
    build_id=st.binary(min_size=1, max_size=MAX_BUILD_ID),
    behind=st.binary(max_size=40),
)
def test_a_note_is_found_at_any_offset(before: bytes, build_id: bytes, behind: bytes) -> None:
    """A note among other bytes is found with its offset and id, as the note reader reads it there."""
    data = before + build_id_note(build_id) + behind
    found = [each for each in build_id_notes(data) if each.offset == len(before)]
    assert [each.build_id for each in found] == [next(notes_in(data[len(before) :])).description]


@pytest.mark.parametrize(
    "data",
    [
        note(b"GNU\0", 1, bytes(20)),
        note(b"XYZ\0", 3, bytes(20)),
        build_id_note(bytes(20))[:-1],
        build_id_note(bytes(MAX_BUILD_ID + 4)),
        build_id_note(b""),
        build_id_note(bytes(20))[8:],
        b"\5" + build_id_note(bytes(20))[1:],
        b"\3\0\0\0GNU\0",
        b"",
    ],
    ids=[
        "other type",
        "other name",
        "cut",
        "too long",
        "empty",
        "without sizes",
        "other name size",
        "type and name alone",
        "nothing",
    ],
)
def test_what_is_no_build_id_note_is_passed_over(data: bytes) -> None:
    """Type, name and both sizes must fit (gABI, "Note Section": recognised by name and type)."""
    assert build_id_notes(data) == []


def test_several_notes_come_in_order() -> None:
    """Copies of other builds bring their notes along."""
    data = build_id_note(b"\1" * 20) + bytes(7) + build_id_note(b"\2" * 16)
    assert [(each.offset, each.build_id[0]) for each in build_id_notes(data)] == [(0, 1), (43, 2)]


@pytest.mark.parametrize("window", [1, 7, 16, 64, 1 << 20])
def test_the_search_in_windows_finds_the_same(window: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Notes that lie across the windows in which an image is searched are found once, wherever they begin."""
    monkeypatch.setattr(build_ids, "WINDOW", window)
    code = bytes(5) + build_id_note(b"\2" * MAX_BUILD_ID) + build_id_note(b"\3" * 8) + bytes(50)
    handed = small_device.builds(sampler=small_device.sampler_elf(code=code))
    read = small_device.layout()
    subject = Inspection(read, small_device.joined(read, handed).image, handed)
    whole = build_id_notes(subject.bytes_of(subject.placed["sampler"].stored))
    assert stored_notes(subject, "sampler") == whole
    assert len(whole) == 3
    assert len(build_id_note(bytes(MAX_BUILD_ID))) == build_ids.MAX_NOTE
    assert stored_notes(Inspection(read, SparseBytes(), {}), "sampler") == []


def test_ids_in_words() -> None:
    """Each id once, the first of many, and a word where there is none."""
    assert id_words([bytes((n,)) for n in range(9)]) == "00, 01, 02, 03 and 5 more"
    assert id_words([]) == "none"
    assert id_words([b"\1", b"\2", b"\1"]) == "01, 02"
