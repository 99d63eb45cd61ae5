"""Floating-point registers: loaded, stored and moved; what is computed in them is not known.

Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory).
"""

from __future__ import annotations

from gemel.m_profile.code.known_registers import CPACR
from gemel.m_profile.execution.known_flags import MASK
from gemel.m_profile.execution.thumb_effects import forgets, nothing, stops
from gemel.m_profile.execution.values import FLOAT_ACCESS, FollowedCore, Operation
from gemel.m_profile.instructions.memory_accesses import SP

FLOAT = (10, 11)


def float_operation(pc: int, first: int, second: int) -> Operation:
    """What a coprocessor's instruction at ``pc`` does, as far as registers of the core and memory are concerned."""
    coprocessor = second >> 8 & 15
    if coprocessor & 14 != FLOAT[0]:
        return _of_another(first, second)
    lazy = first & 0xFFE0 == 0xEC20 and coprocessor == FLOAT[0] and not second & 0xFF
    does = nothing if lazy else _transfer(first, second) or _move(first, second) or _computed
    if lazy:
        return does

    def execute(core: FollowedCore) -> int | None:
        access = core.words.get(CPACR)
        if core.float_at is None and access is not None and access & FLOAT_ACCESS != FLOAT_ACCESS:
            core.float_at = pc
        return does(core)

    return execute


def _computed(core: FollowedCore) -> None:
    """Anything else: what is in the registers then is not known."""
    core.floats = [None] * len(core.floats)


def _of_another(first: int, second: int) -> Operation:
    """An instruction of another coprocessor, or of the vector extension, which has the same registers."""
    target, other, loads = second >> 12, first & 15, bool(first & 0x10)
    if first & 0xEFE0 == 0xEC40:
        return forgets((target, other) if loads else ())
    if first & 0xEE00 == 0xEC00:
        return stops("a transfer of a coprocessor")
    if first & 0xEF00 == 0xEF00 or (second & 0x800 and not loads):
        return _computed
    return forgets((target,) if second & 0x10 and loads and target != 15 else ())


def _transfer(first: int, second: int) -> Operation | None:
    """VLDR, VSTR, VLDM, VSTM, VPUSH, VPOP."""
    if first & 0xFE00 != 0xEC00 or not first & 0x1A0:
        return None
    loads, adds, single = bool(first & 0x10), bool(first & 0x80), not second & 0x100
    base, imm8, high, low = first & 15, second & 0xFF, second >> 12, first >> 6 & 1
    start = _first_of(high, low, single=single)
    one = bool(first & 0x100) and not first & 0x20
    count = (1 if single else 2) if one else imm8 & ~(not single)
    back = 0 if one or not first & 0x20 else 4 * imm8 if adds else -4 * imm8
    offset = (4 * imm8 if adds else -4 * imm8) if one else min(back, 0)

    def execute(core: FollowedCore) -> None:
        value = core.pc + 4 & ~3 if base == 15 else core.registers[base]
        for each in range(count):
            at = None if value is None else value + offset + 4 * each
            if loads:
                core.floats[(start + each) % 64] = core.load(at, 4)
            else:
                core.store(at, core.floats[(start + each) % 64], 4, saves=base == SP)
        if back and value is not None:
            core.registers[base] = value + back & MASK

    return execute


def _move(first: int, second: int) -> Operation | None:
    """VMOV between a register and half of a double, or all of a single, or of two floats; VMRS, VMSR."""
    register, loads, single = second >> 12, bool(first & 0x10), not second & 0x100
    if first & 0xFFE0 == 0xEC40 and second & 0xD0 == 0x10:
        pair = _first_of(second & 15, second >> 5, single=single)
        return _moves(loads, ((register, pair), (first & 15, pair + 1)))
    if first & (0xFFE0 if single else 0xFFC0) == 0xEE00 and second & 0x7F == 0x10:
        number = _first_of(first & 15, second >> 7, single=single) + (first >> 5 & 1)
        return _moves(loads, ((register, number),))
    if first & 0xFFBF == 0xEEB0 and second & 0xD0 == 0x40:
        into = _first_of(register, first >> 6, single=single)
        return _copies(into, _first_of(second & 15, second >> 5, single=single), 1 if single else 2)
    if first & 0xFFE0 == 0xEEE0 and second & 0xFFF == 0xA10:
        return _status(register) if loads else nothing
    return forgets((register,)) if first & 0xFF10 == 0xEE10 and second & 0x10 else None


def _first_of(field: int, bit: int, *, single: bool) -> int:
    """The word of the registers that a single, or a double, begins with."""
    return field << 1 | bit & 1 if single else 2 * ((bit & 1) << 4 | field)


def _copies(into: int, of: int, count: int) -> Operation:
    def execute(core: FollowedCore) -> None:
        core.floats[into : into + count] = core.floats[of : of + count]

    return execute


def _moves(loads: bool, pairs: tuple[tuple[int, int], ...]) -> Operation:
    def execute(core: FollowedCore) -> None:
        for register, number in pairs:
            if loads:
                core.registers[register] = core.floats[number % 64]
            else:
                core.floats[number % 64] = core.registers[register]

    return execute


def _status(register: int) -> Operation:
    def execute(core: FollowedCore) -> None:
        if register == 15:
            core.forget_flags()
        else:
            core.registers[register] = None

    return execute
