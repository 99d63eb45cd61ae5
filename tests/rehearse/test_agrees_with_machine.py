"""Two emulations of the same image: the rehearsal, and both cores of a machine of qemu-system-arm."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from machine import Machine
from rehearsals import gauge
from tide_gauge import BOOTABLE

VECTOR_REGISTER = 0x5002_1114
LINK_SIZE = 28 + 64 + 4 * 16
"""Bytes of struct link_area: seven words, the greeting, four frames (testdata/tide-gauge/shared/link.h)."""


@pytest.mark.parametrize("arrangement", BOOTABLE)
def test_rehearsal_and_machine_agree(arrangement: str, tmp_path: Path) -> None:
    """Same serial text, same contents of the shared memory, same boot address in two emulations."""
    case = gauge(arrangement)
    image = tmp_path / "image.bin"
    flash = case.read.layout.memories["flash"]
    image.write_bytes(case.image.read(flash.span, flash.erased_byte))
    rehearsal = case.rehearse()

    machine = Machine(image, tmp_path)
    try:
        assert machine.text() == rehearsal.texts["serial"]
        link = case.read.layout.span_of("link")
        assert machine.memory(link.start, LINK_SIZE) == rehearsal.shared_memory["link"][:LINK_SIZE]
        released = rehearsal.event("released")
        assert released is not None
        boot_address = struct.unpack("<I", machine.memory(VECTOR_REGISTER, 4))[0]
        assert boot_address == released.numbers["vectors"]
    finally:
        machine.end()
    assert rehearsal.passes
