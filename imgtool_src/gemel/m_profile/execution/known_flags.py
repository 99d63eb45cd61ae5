"""Sums, shifts and the flags that they set, of values that are known or not (None).

Armv7-M and Armv8-M architecture reference manuals, "Pseudocode details of operations" (from memory).
"""

from __future__ import annotations

MASK = 0xFFFF_FFFF


class KnownFlags:
    """The flags of a core, each known or not."""

    def __init__(self) -> None:
        self.n: int | None = None
        self.z: int | None = None
        self.c: int | None = None
        self.v: int | None = None
        self.assumed: dict[int, bool] = {}
        """What was decided of flags that are not known, by condition without its lowest bit."""

    def add(self, one: int | None, two: int | None, carry: int | None, *, flags: bool) -> int | None:
        """The sum, with the flags that it sets."""
        if one is None or two is None or carry is None:
            if flags:
                self.forget_flags()
            return None
        total = one + two + carry
        result = total & MASK
        if flags:
            self.n, self.z, self.c = result >> 31, result == 0, total >> 32
            self.v = (~(one ^ two) & (one ^ result)) >> 31 & 1
            self.assumed = {}
        return result

    def logic(self, result: int | None, carry: int | None, *, flags: bool) -> int | None:
        """The result, with the flags that a logical instruction sets."""
        if flags:
            self.c, self.assumed = carry, {}
            self.n, self.z = (None, None) if result is None else (result >> 31, result == 0)
        return result

    def forget_flags(self) -> None:
        """Know none of them."""
        self.n = self.z = self.c = self.v = None
        self.assumed = {}

    def assume(self, condition: int, *, holds: bool) -> None:
        """Go on as if a condition held, or not, until the flags are set again."""
        if self.holds(condition) not in (None, holds):
            self.forget_flags()
        self.assumed = {**self.assumed, condition >> 1: holds != bool(condition & 1)}

    def holds(self, condition: int) -> bool | None:
        """Whether a condition holds; None if that is not known."""
        kind = condition >> 1
        if kind in self.assumed:
            return self.assumed[kind] != bool(condition & 1)
        flags: tuple[int | None, ...] = (
            (self.z,), (self.c,), (self.n,), (self.v,),
            (self.c, self.z), (self.n, self.v), (self.n, self.v, self.z), (),
        )[kind]  # fmt: skip
        if None in flags:
            return None
        if kind < 4:
            result = bool(flags[0])
        elif kind == 4:
            result = bool(self.c) and not self.z
        elif kind < 7:
            result = self.n == self.v and not (kind == 6 and self.z)
        else:
            return True
        return result != bool(condition & 1)


def shifted(
    value: int | None, kind: int, amount: int | None, carry: int | None
) -> tuple[int | None, int | None]:
    """A value shifted by LSL, LSR, ASR or ROR (0 to 3), and the last bit that was shifted out."""
    if value is None or amount is None:
        return None, None
    if not amount:
        return value, carry
    if kind == 0:
        wide = value << amount
        return wide & MASK, wide >> 32 & 1
    if kind == 3:
        amount %= 32
        value = (value >> amount | value << 32 - amount) & MASK
        return value, value >> 31
    wide = value - (1 << 32) if kind == 2 and value >> 31 else value
    return wide >> amount & MASK, wide >> amount - 1 & 1


def signed(value: int | None, bits: int) -> int | None:
    """The lowest bits of a value, extended by their sign to a word."""
    if value is None:
        return None
    value &= (1 << bits) - 1
    return (value - (value >> bits - 1 << bits)) & MASK
