"""The code of a build that its vectors lead to, for images without an ELF file to tell code from data.

From each entry the instructions are followed as a core would: on to the next, into calls and branches, to an
end at returns and jumps to where a register says.  Literals that the code loads, and tables of branches, are
data even where the stream runs into them.  What is only reached through pointers in data is not reached.

Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory).
"""

from __future__ import annotations

from collections.abc import Iterable

FIRST_WIDE = 0xE800


class Flow:
    """Follows the code in ``code``, whose first byte the core runs at ``start`` (even).

    ``sizes`` are the sizes of the instructions reached, by offset; ``data`` the offsets of half-words that
    the code uses as data.
    """

    def __init__(self, code: bytes, start: int) -> None:
        self.sizes: dict[int, int] = {}
        self.data: set[int] = set()
        self._code, self._start = code, start
        self._waiting: list[int] = []

    def follow(self, entries: Iterable[int]) -> None:
        """Reach what ``entries`` lead to: addresses as the core sees them, bit 0 ignored."""
        self._waiting += [(entry & ~1) - self._start for entry in entries]
        while self._waiting:
            self._run(self._waiting.pop())

    def reached(self) -> list[tuple[int, int]]:
        """(offset, size) of each instruction that was reached and is no data, in order."""
        data = self.data
        return [
            (at, size)
            for at, size in sorted(self.sizes.items())
            if at not in data and (size == 2 or at + 2 not in data)
        ]

    def _run(self, at: int) -> None:
        """Follow the stream from offset ``at`` until it ends or meets what was reached before."""
        code, sizes, data = self._code, self.sizes, self.data
        end = len(code)
        conditional = 0
        while at >= 0 and at + 2 <= end and at not in sizes and at not in data:
            first = code[at] | code[at + 1] << 8
            if first < FIRST_WIDE:
                size, ends = 2, self._narrow(at, first)
            elif at + 4 <= end:
                size, ends = 4, self._wide(at, first, code[at + 2] | code[at + 3] << 8)
            else:
                return
            sizes[at] = size
            if first & 0xFF00 == 0xBF00 and first & 0xF:
                conditional = 4 - (first & -first & 0xF).bit_length() + 1
            elif ends and not conditional:
                return
            elif conditional:
                conditional -= 1
            at += size

    def _narrow(self, at: int, first: int) -> bool:
        """Note where a 16-bit instruction leads; whether the stream ends with it."""
        top = first >> 8
        if top >> 4 == 0xD and top < 0xDE:
            self._waiting.append(at + 4 + _signed(first & 0xFF, 8) * 2)
        elif top >> 3 == 0b11100:
            self._waiting.append(at + 4 + _signed(first & 0x7FF, 11) * 2)
            return True
        elif first & 0xF500 == 0xB100:
            self._waiting.append(at + 4 + (first >> 9 & 1) * 64 + (first >> 3 & 0x1F) * 2)
        elif top >> 3 == 0b01001:
            self._literal(at, (first & 0xFF) * 4, 4)
        returns = first & 0xFF80 == 0x4700 or top == 0xBD
        moves_to_pc = first & 0xFD87 == 0x4487
        return returns or moves_to_pc or top == 0xDE

    def _wide(self, at: int, first: int, second: int) -> bool:
        """Note where a 32-bit instruction leads; whether the stream ends with it."""
        word = first << 16 | second
        if word & 0xF800_9000 == 0xF000_9000:
            self._waiting.append(at + 4 + far_distance(first, second))
            return not second & 0x4000
        if word & 0xF800_D000 == 0xF000_8000 and first >> 7 & 7 != 7:
            self._waiting.append(at + 4 + _conditional(first, second))
        elif word & 0xFFFF_FFE0 == 0xE8DF_F000:
            self._table(at + 4, 2 if second & 0x10 else 1)
            return True
        elif first & 0xFE1F == 0xF81F:
            size = 1 << (first >> 5 & 3)
            self._literal(at, second & 0xFFF if first & 0x80 else -(second & 0xFFF), size)
        elif word & 0xFF3F_0E00 == 0xED1F_0A00:
            offset = (second & 0xFF) * 4
            self._literal(at, offset if first & 0x80 else -offset, 8 if second & 0x100 else 4)
        loads_many = first & 0xFE50 == 0xE810 and second >> 15 == 1
        loads_one = first & 0xFF70 == 0xF850 and second >> 12 == 15
        return loads_many or loads_one or word & 0xFFF0_F000 == 0xF7F0_A000

    def _literal(self, at: int, offset: int, size: int) -> None:
        address = (self._start + at + 4 & ~3) + offset - self._start
        self.data.update(range(address & ~1, address + size, 2))

    def _table(self, at: int, width: int) -> None:
        """A table of branches: it ends where the nearest of its targets begins."""
        nearest, entry = len(self._code), at
        while entry + width <= nearest:
            target = at + 2 * int.from_bytes(self._code[entry : entry + width], "little")
            if target <= entry or target >= len(self._code):
                break
            nearest = min(nearest, target)
            self._waiting.append(target)
            entry += width
        self.data.update(range(at, entry + entry % 2, 2))


def _signed(value: int, bits: int) -> int:
    return value - (1 << bits) if value >> (bits - 1) else value


def far_distance(first: int, second: int) -> int:
    """The distance of BL and B.W (encoding T4): sign, I1, I2, ten bits, eleven bits, halved."""
    sign = first >> 10 & 1
    upper = ((second >> 13 & 1) ^ sign ^ 1) << 1 | ((second >> 11 & 1) ^ sign ^ 1)
    return _signed(sign << 23 | upper << 21 | (first & 0x3FF) << 11 | second & 0x7FF, 24) * 2


def _conditional(first: int, second: int) -> int:
    """The distance of a conditional B.W (encoding T3): sign, J2, J1, six bits, eleven bits, halved."""
    upper = (first >> 10 & 1) << 2 | (second >> 11 & 1) << 1 | second >> 13 & 1
    return _signed(upper << 17 | (first & 0x3F) << 11 | second & 0x7FF, 20) * 2
