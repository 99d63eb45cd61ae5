"""Operations of one kind or another, such as a sum of two registers or a load of several, made for their operands.

Which instruction is which is in :mod:`gemel.m_profile.execution.thumb_operations`.
"""

from __future__ import annotations

from collections.abc import Callable

from gemel.m_profile.execution.known_flags import MASK, shifted, signed
from gemel.m_profile.execution.values import MSP, PSP, FollowedCore, Operation, Stop
from gemel.m_profile.instructions.memory_accesses import SP, MemoryAccess

PC = 15

Binary = Callable[[FollowedCore, "int | None", "int | None", "int | None", bool], "int | None"]
"""The result of two operands and the carry of the shifter, with its flags if wanted."""


def _bitwise(operation: Callable[[int, int], int]) -> Binary:
    def execute(
        core: FollowedCore, one: int | None, two: int | None, carry: int | None, flags: bool
    ) -> int | None:
        result = None if one is None or two is None else operation(one, two) & MASK
        return core.logic(result, carry, flags=flags)

    return execute


def _inverted(value: int | None) -> int | None:
    return None if value is None else value ^ MASK


def add(core: FollowedCore, one: int | None, two: int | None, _: int | None, flags: bool) -> int | None:
    """Sum."""
    return core.add(one, two, 0, flags=flags)


def adc(core: FollowedCore, one: int | None, two: int | None, _: int | None, flags: bool) -> int | None:
    """Sum with the carry."""
    return core.add(one, two, core.c, flags=flags)


def sbc(core: FollowedCore, one: int | None, two: int | None, _: int | None, flags: bool) -> int | None:
    """Difference less the borrow, which is the inverted carry."""
    return core.add(one, _inverted(two), core.c, flags=flags)


def sub(core: FollowedCore, one: int | None, two: int | None, _: int | None, flags: bool) -> int | None:
    """Difference."""
    return core.add(one, _inverted(two), 1, flags=flags)


def rsb(core: FollowedCore, one: int | None, two: int | None, _: int | None, flags: bool) -> int | None:
    """Difference the other way round."""
    return core.add(two, _inverted(one), 1, flags=flags)


def mov(core: FollowedCore, _: int | None, two: int | None, carry: int | None, flags: bool) -> int | None:
    """The second operand."""
    return core.logic(two, carry, flags=flags)


def mvn(core: FollowedCore, _: int | None, two: int | None, carry: int | None, flags: bool) -> int | None:
    """The second operand, inverted."""
    return core.logic(_inverted(two), carry, flags=flags)


AND, BIC = _bitwise(lambda one, two: one & two), _bitwise(lambda one, two: one & ~two)
ORR, ORN = _bitwise(lambda one, two: one | two), _bitwise(lambda one, two: one | ~two)
EOR, MUL = _bitwise(lambda one, two: one ^ two), _bitwise(lambda one, two: one * two)


def nothing(_: FollowedCore) -> None:
    """Hints, barriers, and what changes nothing that is followed."""


def forgets(registers: tuple[int, ...], *, flags: bool = False) -> Operation:
    """Something of which only the registers that it sets are known."""

    def execute(core: FollowedCore) -> None:
        for register in registers:
            core.registers[register] = None
        if flags:
            core.forget_flags()

    return execute


def stops(reason: str, *, blind: bool = True) -> Operation:
    """What cannot be followed further, with the reason; ``blind`` if it may do what is looked for."""

    def execute(_: FollowedCore) -> None:
        raise Stop(reason, blind=blind)

    return execute


def branch_target(value: int | None) -> int:
    """Where a branch to ``value`` leads, without the Thumb bit; raises Stop where it is not known."""
    if value is None:
        raise Stop("a branch to an address that is not known", blind=True)
    return value & ~1


def computes(
    does: Binary, target: int | None, one: int | None, two: int | None, constant: int = 0, *, flags: bool | None = None,
    pc: int = 0, shift: tuple[int, int] = (0, 0), carries: bool = False,
) -> Operation:  # fmt: skip
    """Of two registers, or one and a constant; flags are set as given, if None outside of IT blocks."""

    def execute(core: FollowedCore) -> int | None:
        registers = core.registers
        first = None if one is None else pc + 4 if one == PC else registers[one]
        carry = constant >> 31 if carries else core.c
        second = constant if two is None else pc + 4 if two == PC else registers[two]
        if shift[1]:
            second, carry = shifted(second, *shift, carry)
        sets = not core.in_block if flags is None else flags
        result = does(core, first, second, carry, sets)
        if target == PC:
            return branch_target(result)
        if target is not None:
            registers[target] = result
            if result is None and sets:
                core.if_zero = core.pc, target, 0
        elif first is None and second is not None and one is not None and does is sub:
            core.if_zero = core.pc, one, second
        return None

    return sets_stack(execute, anew=does is mov) if target == SP else execute


def sets_stack(operation: Operation, *, anew: bool = True) -> Operation:
    """The same for an instruction whose result is the stack pointer in use, set ``anew`` or moved."""

    def execute(core: FollowedCore) -> int | None:
        led = operation(core)
        if anew:
            core.note_stack(PSP if core.on_process_stack else MSP, core.registers[SP])
        else:
            core.grow_stack(core.registers[SP])
        return led

    return execute


def sets(target: int, value: Callable[[list[int | None]], int | None]) -> Operation:
    """A register to what ``value`` makes of all registers."""

    def execute(core: FollowedCore) -> None:
        core.registers[target] = value(core.registers)

    return execute


def part_of(
    register: int, size: int, *, keeps_sign: bool, turned: int = 0
) -> Callable[[list[int | None]], int | None]:
    """The lowest ``size`` bytes of a register that is ``turned`` right before, with their sign or without."""

    def value(registers: list[int | None]) -> int | None:
        word = shifted(registers[register], 3, turned, 0)[0] if turned else registers[register]
        if keeps_sign:
            return signed(word, 8 * size)
        return _lowest(word, size)

    return value


def _lowest(value: int | None, size: int) -> int | None:
    """The lowest bytes of a value; the same object where these are all."""
    return value if value is None or value >> 8 * size == 0 else value & ((1 << 8 * size) - 1)


def in_reverse(register: int, kind: int) -> Callable[[list[int | None]], int | None]:
    """REV, REV16, RBIT, REVSH (0 to 3)."""

    def value(registers: list[int | None]) -> int | None:
        word = registers[register]
        if word is None:
            return None
        turned = int.from_bytes(word.to_bytes(4, "little"), "big")
        if kind == 1:
            turned = (turned >> 16 | turned << 16) & MASK
        if kind == 2:
            return int(f"{word:032b}"[::-1], 2)
        return signed(turned >> 16, 16) if kind == 3 else turned

    return value


# --- loads and stores ---


def _signed_load(first: int) -> int:
    """Bits of a load that keeps the sign; 0 for others."""
    return {0xF910: 8, 0xF930: 16}.get(first & 0xFF70, 0)


def _says_done(first: int, second: int) -> int | None:
    """The register in which STREX says whether it stored."""
    if first & 0xFFF0 == 0xE840 and second >> 12 != PC:
        return second >> 8 & 15
    return second & 15 if first & 0xFFF0 == 0xE8C0 and second & 0xC0 == 0x40 else None


def transfers(pc: int, access: MemoryAccess, first: int, second: int) -> Operation:
    """A load or store of one register or several."""
    operation = _transfers(pc, access, first, second)
    return sets_stack(operation) if access.loads and SP in access.registers else operation


def _transfers(pc: int, access: MemoryAccess, first: int, second: int) -> Operation:
    loads, base, listed, size, by = access.loads, access.base, access.registers, access.size, access.by
    bits, done = _signed_load(first), _says_done(first, second)
    popped = loads and PC in listed and size == 4
    prefetch = loads and size < 4 and PC in listed
    offset, shift, writeback = access.offset, access.shift, access.writeback
    test = first & 0xFFF0 == 0xE840 and second >> 12 == PC
    special = bits or popped or prefetch or test or base == PC or done is not None
    if len(listed) == 1 and by is None and writeback is None and not special:
        return _transfers_one(access)

    def execute(core: FollowedCore) -> int | None:
        registers = core.registers
        start = (pc + 4 & ~3) if base == PC else registers[base]
        if by is not None:
            index = registers[by]
            start = None if start is None or index is None else start + (index << shift)
        at = None if start is None else start + offset
        if prefetch:
            return None
        if writeback is not None and not loads:
            values = [registers[each] for each in listed]
            registers[base] = None if start is None else start + writeback & MASK
        elif not loads:
            values = [registers[each] for each in listed]
        if test:
            registers[second >> 8 & 15] = None
            return None
        if not loads:
            for value in values:
                core.store(at, _lowest(value, size), size, saves=base == SP)
                at = None if at is None else at + 4
            if done is not None:
                registers[done] = 0
            return None
        found = []
        for _ in listed:
            value = core.load(at, size)
            found.append(signed(value, bits) if bits else value)
            at = None if at is None else at + 4
        if writeback is not None:
            registers[base] = None if start is None else start + writeback & MASK
        for register, value in zip(listed, found, strict=True):
            registers[register] = value
        return branch_target(registers[PC]) if popped else None

    return execute


def _transfers_one(access: MemoryAccess) -> Operation:
    """The most frequent ones: one register, at an offset."""
    base, (register,), offset, size = access.base, access.registers, access.offset, access.size

    def load(core: FollowedCore) -> None:
        start = core.registers[base]
        core.registers[register] = core.load(None if start is None else start + offset, size)

    def store(core: FollowedCore) -> None:
        start, value = core.registers[base], core.registers[register]
        at = None if start is None else start + offset
        core.store(at, value if size == 4 else _lowest(value, size), size, saves=base == SP)

    return load if access.loads else store


def loads_literal(pc: int, target: int, distance: int, size: int = 4, bits: int = 0) -> Operation:
    """A load of ``size`` bytes from the literals, of which ``bits`` keep their sign."""
    address = (pc + 4 & ~3) + distance

    def execute(core: FollowedCore) -> int | None:
        value = core.load(address, size)
        if target == PC:
            return branch_target(value) if size == 4 else None
        core.registers[target] = signed(value, bits) if bits else value
        return None

    return sets_stack(execute) if target == SP else execute
