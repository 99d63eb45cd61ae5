"""What ``draft`` reads of a device: a description in CMSIS-SVD, or a linker's map."""

from __future__ import annotations

from device_descriptions import TIMER, svd

from gemel.draft.regions import read_link_map
from gemel.draft.svd import NotSvd, read_svd

REFUSALS = (NotSvd,)
SEEDS = [
    svd(TIMER),
    b"Memory Configuration\n\nName  Origin  Length  Attributes\nROM 0x10000000 0x00006000 xr\n"
    b"RAM 0x38000000 0x00008000 xrw\n*default* 0x0 0xffffffff\n\nLinker script and memory map\n",
]


def decode(data: bytes) -> None:
    """A description is read or refused, by its first byte; a map has its memories or a reason."""
    if data[:1] == b"<":
        read_svd(data)
    else:
        read_link_map(data.decode("utf-8", "replace"), "fuzz.map")
