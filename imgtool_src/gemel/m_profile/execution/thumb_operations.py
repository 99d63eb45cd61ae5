"""What each Thumb instruction does to a core: operations for :mod:`gemel.m_profile.execution.values`.

Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory); tests hold them to a machine.
"""

from __future__ import annotations

from gemel.m_profile.code.known_registers import LIMITS, KnownStore
from gemel.m_profile.execution.known_flags import MASK, shifted, signed
from gemel.m_profile.execution.thumb_effects import (
    AND,
    BIC,
    EOR,
    MUL,
    ORN,
    ORR,
    PC,
    Binary,
    adc,
    add,
    branch_target,
    computes,
    forgets,
    in_reverse,
    loads_literal,
    mov,
    mvn,
    nothing,
    part_of,
    rsb,
    sbc,
    sets,
    stops,
    sub,
    transfers,
)
from gemel.m_profile.execution.values import MSP, PSP, FollowedCore, Operation
from gemel.m_profile.instructions.halfwords import (
    FIRST_WIDE,
    UNDEFINED,
    branch_distance,
    call_distance,
    kinds_of_halfwords,
    modified_constant,
    wide_immediate,
)
from gemel.m_profile.instructions.memory_accesses import LR, SP, memory_access
from gemel.m_profile.instructions.wide_forms import MULTIPLIES_WITH_FLAGS, wide_form

_OPERATIONS = {0: AND, 1: BIC, 2: ORR, 3: ORN, 4: EOR, 8: add, 10: adc, 11: sbc, 13: sub, 14: rsb}
_OF_ONE = {2: mov, 3: mvn}


def operation_of(pc: int, first: int, second: int) -> Operation:
    """What the instruction at ``pc`` does.

    Raises Stop, when it is executed, where that is not known.
    """
    if kinds_of_halfwords()[first] & UNDEFINED:  # such as erased flash
        return stops("an undefined instruction")
    narrow = first < FIRST_WIDE
    first, second = wide_form(first, second)
    access = memory_access(first, second)
    if first == 0xE97F and second == 0xE97F:  # SG
        return nothing
    if access and (access.registers or narrow):
        return transfers(pc, access, first, second)
    return _wide(pc, first, second, narrow=narrow) if first >= FIRST_WIDE else _narrow(pc, first)


def _narrow(pc: int, first: int) -> Operation:
    """Branches, jumps, and what only has 16 bits."""
    if first >> 8 in (0x44, 0x46):
        does: Binary = add if first >> 8 == 0x44 else mov
        return computes(does, PC, PC, first >> 3 & 15, flags=False, pc=pc)
    if first >> 8 == 0x47:
        return _by_register(pc, first)
    if first >> 12 == 11:
        return _miscellaneous(first)
    distance = branch_distance(first, 0)
    if first >> 11 == 28 and distance is not None:
        target = pc + 4 + distance
        return lambda _: target
    return stops("a supervisor call" if first >> 8 == 0xDF else "an undefined instruction")


def _shift_by_register(target: int, value: int, by: int, kind: int, flags: bool | None) -> Operation:
    def execute(core: FollowedCore) -> None:
        amount = core.registers[by]
        if amount is not None:
            amount = min(amount & 0xFF, 64) if kind != 3 else amount & 0xFF
        result, carry = shifted(core.registers[value], kind, amount, core.c)
        core.registers[target] = core.logic(
            result, carry, flags=not core.in_block if flags is None else flags
        )

    return execute


def _by_register(pc: int, first: int) -> Operation:
    """BX, BLX."""
    other = first >> 3 & 15

    def branch(core: FollowedCore) -> int | None:
        core.note_jump(core.registers[other])
        return branch_target(core.registers[other])

    if not first & 0x80:
        return branch

    def call(core: FollowedCore) -> int | None:
        target = core.registers[other]
        if target is None:
            core.call_unknown()
            return None
        core.note_jump(target)
        core.registers[LR] = pc + 3
        return target & ~1

    return call


def _miscellaneous(first: int) -> Operation:
    if first >> 8 == 0xBF and first & 15:
        first_condition, mask = first >> 4 & 15, first & 15
        count = 4 - ((mask & -mask).bit_length() - 1)
        bits = [first_condition & 1, *(mask >> 3 - at & 1 for at in range(count - 1))]
        block = [first_condition & 14 | bit for bit in bits]

        def conditional(core: FollowedCore) -> None:
            core.conditions = block.copy()

        return conditional
    if first >> 8 == 0xBE:  # BKPT: what a debugger or a host answers
        return forgets((0,))
    if first & 0xFFE8 == 0xB660 or first >> 8 == 0xBF:  # CPS, hints
        return nothing
    return stops("an undefined instruction")


def _wide(pc: int, first: int, second: int, *, narrow: bool) -> Operation:
    """The same for the wide form of a ``narrow`` one, which sets flags outside of IT blocks alone."""
    base, target, operand = first & 15, second >> 12 & 15, second >> 8 & 15
    if first & 0xFE00 == 0xEA00:
        return _of_shifted(pc, first, second, narrow=narrow)
    if first & 0xEC00 == 0xEC00:
        from gemel.m_profile.execution.float_operations import float_operation

        return float_operation(pc, first, second)
    if first & 0xF800 == 0xF000:
        if second & 0x8000:
            return _branches(pc, first, second)
        return (
            _plain_constant(pc, first, second)
            if first & 0x200
            else _of_constant(first, second, narrow=narrow)
        )
    if first & 0xFE1F == 0xF81F:
        size, distance = 1 << (first >> 5 & 3), second & 0xFFF
        bits = 8 * size if first & 0x100 else 0
        return loads_literal(pc, target, distance if first & 0x80 else -distance, size, bits)
    if first & 0xFF80 == 0xFA00 and second & 0xF0F0 == 0xF000:
        flags = None if narrow else bool(first & 0x10)
        return _shift_by_register(operand, base, second & 15, first >> 5 & 3, flags)
    if first & 0xFF80 == 0xFA00 and base == PC and second & 0xF080 == 0xF080:
        kind = first >> 4 & 7
        if kind in (0, 1, 4, 5):
            part = part_of(
                second & 15, 2 if kind < 2 else 1, keeps_sign=not kind & 1, turned=8 * (second >> 4 & 3)
            )
            return sets(operand, part)
    if first & 0xFFF0 == 0xFA90 and second & 0xF0C0 == 0xF080:
        return sets(operand, in_reverse(second & 15, second >> 4 & 3))
    if first & 0xFFF0 == 0xFAB0 and second & 0xF0F0 == 0xF080:
        return sets(operand, lambda of: _zeros(of[second & 15]))
    if first & 0xFFF0 == 0xFB00 and second & MULTIPLIES_WITH_FLAGS:
        return computes(MUL, operand, base, second & 15)
    if first & 0xFF80 in (0xFB00, 0xFB80):
        return _multiplies(first, second)
    if first & 0xFFF0 == 0xE8D0:
        return _table(pc, first, second)
    if first & 0xFF00 in (0xFA00, 0xFB00):
        return forgets((operand,))
    return stops("an instruction that is not followed")


def _zeros(value: int | None) -> int | None:
    """The zeros before the highest bit that is set."""
    return None if value is None else 32 - value.bit_length()


def _sets_flags(first: int, target: int, *, narrow: bool) -> bool | None:
    """Whether what computes sets the flags; None where it does so outside of IT blocks alone."""
    flags = bool(first & 0x10)
    return None if narrow and flags and target != PC else flags


def _of_shifted(pc: int, first: int, second: int, *, narrow: bool) -> Operation:
    kind, one, target = first >> 5 & 15, first & 15, second >> 8 & 15
    flags = _sets_flags(first, target, narrow=narrow)
    amount, how = second >> 10 & 0x1C | second >> 6 & 3, second >> 4 & 3
    if how == 3 and not amount:  # RRX
        return forgets((target,), flags=bool(flags))
    amount = amount or (32 if how in (1, 2) else 0)
    does = _OF_ONE.get(kind) if one == PC else _OPERATIONS.get(kind)
    if does is None:
        return forgets((target,))
    into = None if target == PC and flags else target
    return computes(does, into, one, second & 15, flags=flags, pc=pc, shift=(how, amount))


def _of_constant(first: int, second: int, *, narrow: bool) -> Operation:
    kind, one, target = first >> 5 & 15, first & 15, second >> 8 & 15
    encoded = wide_immediate(first, second)
    does = _OF_ONE.get(kind) if one == PC else _OPERATIONS.get(kind)
    if does is None:
        return stops("an undefined instruction")
    flags, constant = _sets_flags(first, target, narrow=narrow), modified_constant(encoded)
    into = None if target == PC and flags else target
    return computes(does, into, one, None, constant, flags=flags, carries=encoded >> 10 != 0)


def _plain_constant(pc: int, first: int, second: int) -> Operation:
    base, target, kind = first & 15, second >> 8 & 15, first >> 4 & 31
    imm12 = wide_immediate(first, second)
    wide = (first & 15) << 12 | imm12
    lowest, width = second >> 10 & 0x1C | second >> 6 & 3, (second & 31) + 1
    if kind in (0, 10):
        if base == PC:
            address = (pc + 4 & ~3) + (imm12 if kind == 0 else -imm12)
            return sets(target, lambda _: address & MASK)
        return computes(sub if kind else add, target, base, None, imm12, flags=False)
    if kind == 4:
        return sets(target, lambda _: wide)
    if kind == 12:
        return sets(target, lambda of: _with_upper(of[target], wide))
    if kind in (20, 28):
        return sets(target, lambda of: _field(of[base], lowest, width, keeps_sign=kind == 20))
    if kind == 22:
        mask = ((1 << max(0, width - lowest)) - 1) << lowest
        return sets(target, lambda of: _inserted(of[target], 0 if base == PC else of[base], lowest, mask))
    return forgets((target,))


def _with_upper(value: int | None, upper: int) -> int | None:
    return None if value is None else value & 0xFFFF | upper << 16


def _field(value: int | None, lowest: int, width: int, *, keeps_sign: bool) -> int | None:
    if value is None:
        return None
    part = value >> lowest & ((1 << width) - 1)
    return signed(part, width) if keeps_sign else part


def _inserted(value: int | None, other: int | None, lowest: int, mask: int) -> int | None:
    return None if value is None or other is None else value & ~mask | other << lowest & mask


def _multiplies(first: int, second: int) -> Operation:
    one, two, third, target = first & 15, second & 15, second >> 12, second >> 8 & 15
    if first & 0xFFF0 == 0xFB00:
        minus = bool(second & 0x10)

        def product(of: list[int | None]) -> int | None:
            left, right, plus = of[one], of[two], 0 if third == PC else of[third]
            if left is None or right is None or plus is None:
                return None
            return (plus - left * right if minus else plus + left * right) & MASK

        return sets(target, product)
    if first & 0xFFD0 == 0xFB90:

        def quotient(of: list[int | None]) -> int | None:
            left, right = of[one], of[two]
            if left is None or right is None:
                return None
            if not first & 0x20:
                left, right = (each - (each >> 31 << 32) for each in (left, right))
            if not right:
                return 0
            return (abs(left) // abs(right) * (-1 if (left < 0) != (right < 0) else 1)) & MASK

        return sets(target, quotient)
    if first & 0xFFD0 == 0xFB80 and not second & 0xF0:

        def long_product(core: FollowedCore) -> None:
            left, right = core.registers[one], core.registers[two]
            if left is None or right is None:
                core.registers[third] = core.registers[target] = None
                return
            if not first & 0x20:
                left, right = (each - (each >> 31 << 32) for each in (left, right))
            core.registers[third], core.registers[target] = left * right & MASK, left * right >> 32 & MASK

        return long_product
    return forgets((third, target) if first & 0xFF80 == 0xFB80 else (target,))


def _table(pc: int, first: int, second: int) -> Operation:
    """TBB and TBH; loads of two words or many by the program counter are not followed."""
    if second & 0xFFE0 != 0xF000:
        return stops("an instruction that is not followed")
    base, index, half = first & 15, second & 15, second >> 4 & 1

    def execute(core: FollowedCore) -> int:
        start, by = pc + 4 if base == PC else core.registers[base], core.registers[index]
        entry = core.load(None if start is None or by is None else start + (by << half), 1 + half)
        return branch_target(None if entry is None else pc + 4 + 2 * entry)

    return execute


_CONTROL = 20


def _branches(pc: int, first: int, second: int) -> Operation:
    if second & 0x5000:
        target = pc + 4 + call_distance(first, second)
        if second & 0x5000 == 0x1000:
            return lambda _: target
        if second & 0x4000 and second & 0x1000:

            def call(core: FollowedCore) -> int:
                core.registers[LR] = pc + 5
                return target

            return call
        return stops("an undefined instruction")
    if first & 0xFFE0 == 0xF380:
        return _special(second & 0xFF, first & 15)
    if first & 0xFFE0 == 0xF3E0:
        target = second >> 8 & 15
        known = {MSP: SP}.get(second & 0xFF)
        return sets(target, lambda of: of[known] if known is not None else None)
    if first & 0xFFF0 in (0xF3A0, 0xF3B0):
        return nothing
    return stops("an undefined instruction")


def _special(name: int, register: int) -> Operation:
    """MSR."""

    def execute(core: FollowedCore) -> None:
        value = core.registers[register]
        if name in (MSP, PSP):
            core.note_stack(name, value)
        if name == MSP and not core.on_process_stack:
            core.registers[SP] = value
        elif name == PSP:
            core.other_stack = value
        elif name == _CONTROL and value is not None and value & 2 and not core.on_process_stack:
            core.registers[SP], core.on_process_stack = core.other_stack, True
        elif name in LIMITS:
            core.stores[KnownStore(core.pc, LIMITS[name], value)] = None
        elif name < 4:
            core.forget_flags()

    return execute
