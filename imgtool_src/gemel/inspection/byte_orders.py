"""Orders that a conversion leaves bytes in."""

from __future__ import annotations

from gemel.structs import NamedTuple

_INVERTED = bytes(value ^ 0xFF for value in range(256))
_NIBBLES = bytes((value >> 4) | (value & 0xF) << 4 for value in range(256))
_REVERSED = bytes(int(f"{value:08b}"[::-1], 2) for value in range(256))


class Order(NamedTuple):
    """One way in which bytes are not in order, and which undoes itself.

    Pieces of ``grain`` bytes are in reverse order in each ``unit`` bytes, and each byte is what ``values`` has for it.
    """

    what: str
    without: str
    unit: int = 1
    grain: int = 1
    values: bytes | None = None

    def next_step(self, file: str = "image") -> str:
        """What to do about such a file."""
        return f"convert the {file} again {self.without}"

    def of(self, data: bytes) -> bytes:
        """``data``, of whole units, in this order."""
        pieces = range(0, self.unit, self.grain)
        result = bytearray(len(data))
        for at in pieces:
            other = self.unit - self.grain - at
            for byte in range(self.grain):
                result[at + byte :: self.unit] = data[other + byte :: self.unit]
        return bytes(result.translate(self.values) if self.values else result)


def _swap(pieces: str, units: str, unit: int, grain: int) -> Order:
    by = f" (objcopy --reverse-bytes={unit})" if grain == 1 else ""
    return Order(
        f"the {pieces} of {units} are swapped",
        f"without a swap of {pieces} in {units}{by}",
        unit,
        grain,
    )


ORDERS = (
    _swap("bytes", "halfwords", 2, 1),
    _swap("bytes", "words", 4, 1),
    _swap("bytes", "double words", 8, 1),
    _swap("halfwords", "words", 4, 2),
    _swap("halfwords", "double words", 8, 2),
    _swap("words", "double words", 8, 4),
    Order(
        "the halves of bytes are swapped",
        "transfer the image again: four bits of each byte went first",
        values=_NIBBLES,
    ),
    Order(
        "all bits are inverted",
        "without inverting its bits",
        values=_INVERTED,
    ),
    Order(
        "the bits of bytes are in reverse order",
        "with the most significant bit of each byte first",
        values=_REVERSED,
    ),
)
"""What is looked for, the usual ones first (common practice)."""
