"""Bits of RAM and of device registers as the words of an Armv7-M core's bit-band aliases.

Where the word of a bit is, that a read gives 0 or 1 and that a write takes bit 0 of its value: Armv7-M, "Bit-banding"
(from memory).
"""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from thumb import assembled

from gemel.image.sparse import SparseBytes
from gemel.layout.reader import read_layout
from gemel.m_profile.bit_band import alias_of, of_bit_band_alias
from gemel.rehearsal.emulator.core.device_accesses import OPTIONAL
from gemel.rehearsal.result import Rehearsal
from gemel.rehearsal.session import RehearsalOptions, rehearse
from gemel.spans import Span

FLASH, RAM, LINK, DEVICE = 0x0800_0000, 0x2000_0000, 0x2000_F000, 0x4000_4000
LAYOUT = f"""format = 1
product = "bits"
[memory]
flash = {{ kind = "flash", start = {FLASH}, size = "64 KiB", erase_block = "4 KiB" }}
ram = {{ kind = "ram", start = {RAM}, size = "128 KiB" }}
device = {{ kind = "device", start = {DEVICE}, size = "4 KiB" }}
[core.main]
role = "primary"
architecture = "ARCHITECTURE"
interrupts = 8
ram = ["main-ram"]
[core.other]
role = "secondary"
architecture = "ARCHITECTURE"
interrupts = 8
ram = ["other-ram"]
[core.other.release]
vector_register = {DEVICE + 0x800}
control_register = {DEVICE + 0x804}
release_mask = 1
release_value = 1
[area]
main-code = {{ memory = "flash", offset = 0, size = "32 KiB", purpose = "code" }}
other-code = {{ memory = "flash", offset = "32 KiB", size = "32 KiB", purpose = "code" }}
main-ram = {{ memory = "ram", offset = 0, size = "60 KiB", purpose = "data" }}
link = {{ memory = "ram", offset = "60 KiB", size = "4 KiB", purpose = "shared" }}
other-ram = {{ memory = "ram", offset = "64 KiB", size = "64 KiB", purpose = "data" }}
[build.main]
core = "main"
stored_in = "main-code"
[build.other]
core = "other"
stored_in = "other-code"
[[rehearsal.constant]]
at = {DEVICE + 8}
value = 0x00800005
[[rehearsal.serial]]
at = {DEVICE}
"""


def word_of(address: int, bit: int) -> int:
    """The word of an alias that is one bit of a byte."""
    region = address & 0xF000_0000
    return region + 0x0200_0000 + 32 * (address - region) + 4 * bit


def run(program: str, folder: Path, architecture: str = "armv7e-m", more: str = "") -> Rehearsal:
    """The primary with this program; its last words are a sleep."""
    image = SparseBytes()
    image.write(FLASH, struct.pack("<II", LINK, FLASH + 0x401) + struct.pack("<I", FLASH + 0x801) * 22)
    image.write(FLASH + 0x400, assembled(program + "9: wfi\n b 9b\n .ltorg\n", folder, "armv7e-m"))
    image.write(FLASH + 0x800, assembled("b .\n", folder))
    options = RehearsalOptions(budget=20_000, isolate=False, exact=False)
    text = LAYOUT.replace("ARCHITECTURE", architecture) + more
    return rehearse(read_layout(text.encode(), "bits.toml"), image, {}, options)


def store(address: int, value: int, width: str = "") -> str:
    """Code that stores a number."""
    return f"ldr r0, ={address:#x}\n ldr r1, ={value:#x}\n str{width} r1, [r0]\n"


def load(address: int, into: int, width: str = "") -> str:
    """Code that loads a number, and keeps it in the shared area."""
    return f"ldr r0, ={address:#x}\n ldr{width} r1, [r0]\n ldr r0, ={LINK + into:#x}\n str r1, [r0]\n"


def kept(rehearsal: Rehearsal, count: int) -> list[int]:
    """The first words of the shared area."""
    return list(struct.unpack(f"<{count}I", rehearsal.shared_memory["link"][: 4 * count]))


def faults(rehearsal: Rehearsal) -> list[str]:
    """The kinds of findings of accesses."""
    return [each.kind for each in rehearsal.findings if each.kind.startswith(("unmapped", "write-"))]


def test_bits_of_ram(tmp_path: Path) -> None:
    """Set, cleared and read by words, halfwords and bytes; the other bits stay as they are."""
    place = RAM + 0x100
    program = (
        store(place, 0x0000_00F0)
        + store(word_of(place, 0), 0xFFFF_FFFF)
        + store(word_of(place, 5), 0xFFFF_FFFE)
        + store(word_of(place + 2, 7), 1, "h")
        + store(word_of(place + 3, 3), 3, "b")
        + load(place, 0)
        + load(word_of(place, 4), 4)
        + load(word_of(place, 5), 8, "b")
        + load(word_of(place + 2, 7), 12, "h")
    )
    rehearsal = run(program, tmp_path)
    assert faults(rehearsal) == []
    assert kept(rehearsal, 4) == [0x0880_00D1, 1, 0, 1]
    assert f"main: {OPTIONAL}" in rehearsal.notes
    assert not [note for note in run(store(place, 1), tmp_path).notes if OPTIONAL in note]


def test_bits_of_device_registers(tmp_path: Path) -> None:
    """A read gives one bit of what the register reads; a write reaches the register whole."""
    program = (
        load(word_of(DEVICE + 8, 0), 0)
        + load(word_of(DEVICE + 8, 1), 4)
        + load(word_of(DEVICE + 10, 7), 8)
        + store(word_of(DEVICE, 6), 1)
    )
    rehearsal = run(program, tmp_path)
    assert faults(rehearsal) == []
    assert kept(rehearsal, 3) == [1, 0, 1]
    assert "@" in str(rehearsal)


def test_bits_of_what_is_not_there(tmp_path: Path) -> None:
    """No memory and no register behind the alias, or no alias at all: a fault as at any other address."""
    beyond = word_of(RAM + 0x2_0000, 0)
    assert faults(run(store(beyond, 1), tmp_path)) == ["unmapped-write"]
    assert faults(run(load(word_of(0x4000_8000, 0), 0), tmp_path)) == ["unmapped-read"]
    assert faults(run(store(word_of(RAM, 0), 1), tmp_path, "armv8-m.main")) == ["unmapped-write"]
    assert faults(run(store(word_of(RAM, 0), 1), tmp_path, "armv7-m")) == []


LOCK = f"""[[rehearsal.mutex]]
at = {DEVICE + 0x10}
taken = 1
busy = 0
guards = "link"
"""
RELEASED = store(DEVICE + 0x800, FLASH + 0x8000) + store(DEVICE + 0x804, 1)
GIVEN_BACK = store(DEVICE + 0x10, 0)


@pytest.mark.parametrize(
    "access", [store(word_of(LINK + 9, 1), 1), f"ldr r0, ={word_of(LINK + 9, 1)}\n ldr r1, [r0]\n"]
)
def test_bits_of_a_guarded_area(access: str, tmp_path: Path) -> None:
    """A bit of an area that a lock guards is touched with the lock held, as its bytes are."""
    taken = f"ldr r0, ={DEVICE + 0x10}\n ldr r1, [r0]\n"
    without = run(RELEASED + access, tmp_path, more=LOCK).finding("without-lock")
    assert without is not None
    assert f"0x{LINK + 9:08X}" in without.found.replace("_", "")
    assert run(RELEASED + taken + access + GIVEN_BACK, tmp_path, more=LOCK).finding("without-lock") is None
    assert run(access + RELEASED, tmp_path, more=LOCK).finding("without-lock") is None
    assert run(RELEASED + access, tmp_path).finding("without-lock") is None


def test_bits_of_the_other_core(tmp_path: Path) -> None:
    """A bit of the other core's RAM is a write to it; one of the shared area is not."""
    other = run(store(word_of(RAM + 0x1_0010, 1), 1), tmp_path)
    shared = run(store(LINK, 0) + store(word_of(LINK, 1), 1), tmp_path)
    plain = run(store(RAM + 0x1_0010, 2), tmp_path)
    of_ram = [each.kind for each in plain.findings]
    assert [each.kind for each in other.findings] == of_ram
    assert of_ram != [each.kind for each in shared.findings]
    assert kept(shared, 1) == [2]


@pytest.mark.parametrize(
    ("span", "alias"),
    [
        (Span(0x2000_0000, 4), Span(0x2200_0000, 128)),
        (Span(0x1FFF_FFFC, 8), Span(0x2200_0000, 128)),
        (Span(0x200F_FFFF, 2), Span(0x23FF_FFE0, 32)),
        (Span(0x4000_4000, 1), Span(0x4208_0000, 32)),
        (Span(0x2010_0000, 4), None),
        (Span(0x3000_0000, 4), None),
    ],
)
def test_words_of_a_span(span: Span, alias: Span | None) -> None:
    """32 words a byte, within the region, and back."""
    assert alias_of("armv7-m", span) == alias
    assert alias_of("armv8-m.main", span) is None
    if alias:
        back = of_bit_band_alias("armv7-m", alias)
        assert back is not None
        assert span.covers(back)
