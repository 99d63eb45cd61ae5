"""Limits of what is shown, each at both its sides."""

from __future__ import annotations

import struct

import pytest
from both_sides import Limits, assert_both_sides
from records import tide_gauge_record
from seal_keys import key_for, sign_all
from shown_images import plain

from gemel.image.sparse import SparseBytes
from gemel.record.record import encode
from gemel.show.as_text.whole import text_of
from gemel.show.facts.gather import contents_of_file, vector_hints
from gemel.show.facts.records import records
from gemel.show.facts.seals import seals
from gemel.structs import replace
from gemel.text.styled import BLOCKS

FLASH, RAM = 0x1000_0000, 0x2000_0000


def _alone(count: int) -> str:
    """What is shown of a file of ``count`` pieces with gaps between them."""
    image = SparseBytes()
    for number in range(count):
        image.write(FLASH + 0x100 * number, bytes(range(1, 65)))
    return plain(text_of(contents_of_file(image, "a.hex"), 100, BLOCKS))


def _in_ram(distance: int) -> bool:
    """Whether handlers in RAM ``distance`` bytes apart may be code that was copied there."""
    image = SparseBytes()
    handlers = (RAM + 0x101, RAM + 0x101, RAM + 0x101 + distance)
    image.write(FLASH, struct.pack("<4I", RAM + 0x1000, *handlers).ljust(64, b"\0"))
    return bool(vector_hints(image))


def _records(count: int) -> SparseBytes:
    image = SparseBytes()
    for number in range(count):
        image.write(FLASH + 0x1000 * number, encode(replace(tide_gauge_record(), rollback=number)))
    return image


def _recorded(count: int) -> bool:
    """Whether all of ``count`` records are shown."""
    sound, broken = records(_records(count), None)
    assert len(sound) + len(broken) == count
    return not broken


def _sealed(count: int) -> bool:
    """Whether a seal over the last of ``count`` records is tried over it."""
    image = _records(count)
    key = key_for("Ed25519")
    image.write(FLASH + 0x10_0000, sign_all(encode(replace(tide_gauge_record(), rollback=count - 1)), [key]))
    sound, _ = records(image, None)
    (found,) = seals(image, None, sound, [key.public_key])
    return found.signers[0].verdict == "holds"


LIMITS: Limits = {
    "show.as_text.whole.MAX_ROWS": (3, lambda count: "smaller piece" not in _alone(count)),
    "show.as_text.whole.MAX_GAPS": (3, lambda count: "smaller gap" not in _alone(count + 1)),
    "show.facts.records.MAX_RECORDS": (3, _recorded),
    "show.facts.seals.MAX_RECORDS": (3, _sealed),
}


@pytest.mark.parametrize("name", LIMITS)
def test_both_sides(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a limit allows is shown, and one more is counted."""
    assert_both_sides(monkeypatch, LIMITS, name)


def test_the_most_code_in_ram(monkeypatch: pytest.MonkeyPatch) -> None:
    """Handlers less than the limit apart may be in RAM."""
    monkeypatch.setattr("gemel.show.facts.gather.MAX_CODE_IN_RAM", 0x1000)
    assert _in_ram(0xFFE)
    assert not _in_ram(0x1000)
