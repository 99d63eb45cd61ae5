"""The bytes of a memory in the emulating process, seen by every core through its own mappings."""

from __future__ import annotations

import ctypes
import hashlib
import mmap

from gemel.rehearsal.plan import PAGE, MemoryPlan
from gemel.spans import align_up


class Backing:
    """One memory's bytes.  ``slack`` bytes are in front of them, so that pages begin where the cores' do."""

    def __init__(self, plan: MemoryPlan, slack: int) -> None:
        self.plan, self.slack = plan, slack
        self._bytes = mmap.mmap(-1, align_up(slack + plan.size, PAGE))
        self._place(0, plan.fill * (-(-plan.size // len(plan.fill))))
        for offset, piece in plan.pieces:
            self._place(offset, piece)
        self._anchor = ctypes.c_char.from_buffer(self._bytes)
        self.address = ctypes.addressof(self._anchor)
        self.written: bytearray | None = None

    def _place(self, offset: int, data: bytes) -> None:
        room = self.plan.size - offset
        start = self.slack + offset
        self._bytes[start : start + min(room, len(data))] = data[:room]

    def read(self, offset: int, size: int) -> bytes:
        """``size`` bytes from ``offset`` of the memory on; fewer at its end."""
        start = self.slack + offset
        return self._bytes[start : min(start + size, self.slack + self.plan.size)]

    def write(self, offset: int, data: bytes) -> None:
        """Write ``data`` at ``offset``, within the memory."""
        start = self.slack + offset
        self._bytes[start : start + len(data)] = data

    def word(self, offset: int) -> int:
        """The little-endian word at ``offset``."""
        return int.from_bytes(self.read(offset, 4), "little")

    def quick_digest(self) -> bytes:
        """A digest to distinguish two moments."""
        return hashlib.blake2b(self.read(0, self.plan.size), digest_size=16).digest()

    def touched(self, offset: int, size: int) -> int:
        """How many bytes of the range no longer hold the fill."""
        data, fill = self.read(offset, size), self._fill_from(offset, size)
        if data == fill:
            return 0
        changed = int.from_bytes(data, "little") ^ int.from_bytes(fill, "little")
        return len(data) - changed.to_bytes(len(data), "little").count(0)

    def untouched_below(self, lowest: int, start: int, gap: int) -> int:
        """Going down from offset ``start`` to ``lowest``: where ``gap`` bytes begin that hold the fill."""
        data, fill = self.read(lowest, start - lowest), self._fill_from(lowest, start - lowest)
        last = len(data)
        for at in range(len(data) - 1, -1, -1):
            if data[at] != fill[at]:
                last = at
            elif last - at >= gap:
                break
        return lowest + last

    def uniform_below(self, lowest: int, start: int, words: int) -> int:
        """Going down from offset ``start`` to ``lowest``: above where so many words in a row hold one value."""
        data = self.read(lowest, start - lowest)
        at = len(data) & ~3
        same, before = 0, b""
        while at >= 4:
            word = data[at - 4 : at]
            same = same + 1 if word == before else 1
            if same == words:
                return lowest + at - 4 + 4 * words
            before, at = word, at - 4
        return lowest

    def _fill_from(self, offset: int, size: int) -> bytes:
        fill = self.plan.fill
        size = len(self.read(offset, size))
        first = offset % len(fill)
        return (fill * (size // len(fill) + 2))[first : first + size]
