"""What code stores at addresses that its instructions put together, and what it sets special registers to.

Registers are followed through straight stretches of code: literals, moves, sums and shifts of constants, and what
was stored before at the same distance from the same register, as compilers keep variables when they do not
optimise.  What else is loaded from RAM, or comes from a caller, is not known, and a call forgets what it may change
(AAPCS32: r0-r3, r12, and memory).
Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory); tests hold them to the assembler.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from gemel.m_profile.code.function_steps import Function, is_unknown_jump
from gemel.m_profile.code.known_registers import KnownStore, Registers


def known_stores(code: bytes, start: int, word_at: Callable[[int], int | None]) -> list[KnownStore]:
    """Every store of ``code``, a function that runs at ``start``, whose target is known.

    ``word_at`` gives the word that is stored for an address (None: not known, or not constant).
    """
    return followed(Function(code, start, word_at), Registers(word_at))


Observer = Callable[[int, int, int, "Mapping[int, int]", "Registers", "int | None"], None]
"""Called for each instruction: its address and halfwords, what was known before, the registers after it, and the
function that it calls if its address is known."""


PASSES = 8
"""How often a function is gone through until what is known where branches meet stays as it is."""


def followed(function: Function, registers: Registers, observe: Observer | None = None) -> list[KnownStore]:
    """The stores of a function from ``registers`` on, with everything that ``observe`` marks in them.

    Where branches meet, what all of them agree on is known.  Nothing is where code is reached by other ways.
    """
    walk = _Walk(function)
    for _ in range(PASSES):
        stores = walk.once(registers.copy(), observe)
        if not walk.changed:
            return stores
    walk.jump_anywhere()
    return walk.once(registers.copy(), observe)


class _Walk:
    """A function, and what is known where its branches arrive."""

    def __init__(self, function: Function) -> None:
        self._steps, self._jumps = function.steps, function.jumps_anywhere
        self._arrived: dict[int, Registers] = {}
        self._anywhere = Registers(lambda _: None)
        self.changed = False

    def jump_anywhere(self) -> None:
        """From now on every branch may arrive wherever one does."""
        self._jumps = True
        for each in self._arrived.values():
            self._anywhere.add_marks(each.marks)

    def once(self, registers: Registers, observe: Observer | None) -> list[KnownStore]:
        """Go through all of it, in its order; ``changed`` says whether another time may give something else."""
        self.changed = False
        stores, falls, other = list[KnownStore](), True, registers
        block, as_first = tuple[bool, ...](), True
        for address, first, second, here, leads_to, ends, covers in self._steps:
            if here or not falls:
                self._arrive(address, registers, falls=falls)
            if block and block[0] != as_first:
                registers, other, as_first = other, registers, block[0]
            before = dict(registers.known) if observe else registers.known
            for target in leads_to:
                self._leave(target, registers, back=target <= address)
            if ends and self._jumps and is_unknown_jump(first, second):
                self.changed |= self._anywhere.add_marks(registers.marks)
            store = None if ends else registers.step(address, first, second)
            falls = bool(block) or not ends
            if observe:
                observe(address, first, second, before, registers, store.value if store else None)
            if store:
                stores.append(store)
            if len(block) == 1 and ends:
                registers = other
            elif len(block) == 1:
                registers.meet(other)
            block = covers or block[1:]
            if covers:
                other, as_first = registers.copy(), True
        return stores

    def _arrive(self, address: int, registers: Registers, *, falls: bool) -> None:
        arrived = self._arrived.get(address)
        by_none = arrived is None and not falls
        if by_none:
            self.changed |= self._anywhere.add_marks(registers.marks)
            registers.marks.clear()
        elif arrived is not None and falls:
            registers.meet(arrived)
        elif arrived is not None:
            registers.become(arrived)
        if by_none or self._jumps:
            registers.forget_values()
            registers.add_marks(self._anywhere.marks)

    def _leave(self, target: int, registers: Registers, *, back: bool) -> None:
        arrived = self._arrived.get(target)
        if arrived is None:
            self._arrived[target] = registers.copy()
            self.changed |= back
        elif arrived.meet(registers):
            self.changed = True
