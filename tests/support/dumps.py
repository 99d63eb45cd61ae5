"""Dumps of the small device with more areas, in two versions."""

from __future__ import annotations

from small_device import (
    FLASH,
    builds,
    joined,
    layout,
    sampler_elf,
    station_elf,
)

from gemel.image.sparse import SparseBytes
from gemel.spans import Span

SIZE = 16 << 10
SETTINGS = FLASH + 0x3000
EDITS = {
    'seal = { memory = "flash"': 'settings = { memory = "flash", offset = "12 KiB", size = "2 KiB", '
    'purpose = "settings" }\n'
    'spares = { memory = "flash", offset = "14 KiB", size = "1 KiB", purpose = "data" }\n'
    'seal = { memory = "flash"'
}
OLD, NEW = "1.2.3", "1.3.0"
LONG = bytes(range(1, 250)) * 12
"""Code of some erase blocks."""


def version(number: str, size: int = len(LONG), *, unchanged: str = "") -> SparseBytes:
    """The joined device in a version; each byte of the new one's code differs from the old one's.

    The build ``unchanged`` is in both versions the same.
    """
    read = layout({**EDITS, 'version = "1.2.3"': f'version = "{number}"'})
    made = []
    for name, elf_of in (("station", station_elf), ("sampler", sampler_elf)):
        of = OLD if name == unchanged else number
        code = LONG[:size] if of == OLD else LONG[::-1][:size]
        made.append(elf_of(code=code, build_id=bytes([len(code) % 251, int(of[2])]) * 10))
    return joined(read, builds(*made)).image


def dumped(image: SparseBytes, *writes: tuple[int, bytes]) -> bytes:
    """All 16 KiB of the flash of a device that was programmed with an image, and wrote something since."""
    flash = image.copy()
    for address, data in writes:
        flash.write(address, data)
    return flash.read(Span(FLASH, SIZE), 0xFF)
