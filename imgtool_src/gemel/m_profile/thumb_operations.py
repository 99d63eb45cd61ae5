"""What each Thumb instruction does to a core: operations for :mod:`gemel.m_profile.execution`.

Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory); tests hold them to a machine.
"""

from __future__ import annotations

from collections.abc import Callable

from gemel.m_profile.execution import MASK, Core, Operation, Stop, shifted, signed
from gemel.m_profile.halfwords import FIRST_WIDE, modified_constant
from gemel.m_profile.known_registers import MSPLIM, KnownStore
from gemel.m_profile.known_stores import branch_distance, call_distance
from gemel.m_profile.memory_accesses import SP, MemoryAccess, memory_access

LR, PC = 14, 15

Binary = Callable[[Core, "int | None", "int | None", "int | None", bool], "int | None"]
"""The result of two operands and the carry of the shifter, with its flags if wanted."""


def _bitwise(operation: Callable[[int, int], int]) -> Binary:
    def execute(core: Core, one: int | None, two: int | None, carry: int | None, flags: bool) -> int | None:
        result = None if one is None or two is None else operation(one, two) & MASK
        return core.logic(result, carry, flags=flags)

    return execute


def _inverted(value: int | None) -> int | None:
    return None if value is None else value ^ MASK


def _add(core: Core, one: int | None, two: int | None, _: int | None, flags: bool) -> int | None:
    return core.add(one, two, 0, flags=flags)


def _adc(core: Core, one: int | None, two: int | None, _: int | None, flags: bool) -> int | None:
    return core.add(one, two, core.c, flags=flags)


def _sbc(core: Core, one: int | None, two: int | None, _: int | None, flags: bool) -> int | None:
    return core.add(one, _inverted(two), core.c, flags=flags)


def _sub(core: Core, one: int | None, two: int | None, _: int | None, flags: bool) -> int | None:
    return core.add(one, _inverted(two), 1, flags=flags)


def _rsb(core: Core, one: int | None, two: int | None, _: int | None, flags: bool) -> int | None:
    return core.add(two, _inverted(one), 1, flags=flags)


def _mov(core: Core, _: int | None, two: int | None, carry: int | None, flags: bool) -> int | None:
    return core.logic(two, carry, flags=flags)


def _mvn(core: Core, _: int | None, two: int | None, carry: int | None, flags: bool) -> int | None:
    return core.logic(_inverted(two), carry, flags=flags)


_AND, _BIC = _bitwise(lambda one, two: one & two), _bitwise(lambda one, two: one & ~two)
_ORR, _ORN = _bitwise(lambda one, two: one | two), _bitwise(lambda one, two: one | ~two)
_EOR, _MUL = _bitwise(lambda one, two: one ^ two), _bitwise(lambda one, two: one * two)
_WIDE = {0: _AND, 1: _BIC, 2: _ORR, 3: _ORN, 4: _EOR, 8: _add, 10: _adc, 11: _sbc, 13: _sub, 14: _rsb}
_OF_ONE = {2: _mov, 3: _mvn}
_NARROW = (_AND, _EOR, None, None, None, _adc, _sbc, None, _AND, _rsb, _sub, _add, _ORR, _MUL, _BIC, _mvn)
_SHIFTS = {2: 0, 3: 1, 4: 2, 7: 3}
_ONLY_FLAGS = (8, 10, 11)


def operation_of(pc: int, first: int, second: int) -> Operation:
    """What the instruction at ``pc`` does.

    Raises Stop, when it is executed, where that is not known.
    """
    access = memory_access(first, second)
    if first == 0xE97F and second == 0xE97F:  # SG
        return _nothing
    if access and (access.registers or first < FIRST_WIDE):
        return _transfers(pc, access, first, second)
    return _wide(pc, first, second) if first >= FIRST_WIDE else _narrow(pc, first)


def _nothing(_: Core) -> None:
    """Hints, barriers, and what changes nothing that is followed."""


def _unknown(registers: tuple[int, ...], *, flags: bool = False) -> Operation:
    """Something of which only the registers that it sets are known."""

    def execute(core: Core) -> None:
        for register in registers:
            core.registers[register] = None
        if flags:
            core.n = core.z = core.c = core.v = None

    return execute


def _stops(reason: str, *, blind: bool = True) -> Operation:
    def execute(_: Core) -> None:
        raise Stop(reason, blind=blind)

    return execute


def _target(value: int | None) -> int:
    if value is None:
        raise Stop("a branch to an address that is not known", blind=True)
    return value & ~1


def _computes(
    does: Binary, target: int | None, one: int | None, two: int | None, constant: int = 0, *, flags: bool | None = None,
    pc: int = 0, shift: tuple[int, int] = (0, 0), carries: bool = False,
) -> Operation:  # fmt: skip
    """Of two registers, or one and a constant; flags are set as given, if None outside of IT blocks."""

    def execute(core: Core) -> int | None:
        registers = core.registers
        first = None if one is None else pc + 4 if one == PC else registers[one]
        carry = constant >> 31 if carries else core.c
        second = constant if two is None else pc + 4 if two == PC else registers[two]
        if shift[1]:
            second, carry = shifted(second, *shift, carry)
        sets = not core.in_block if flags is None else flags
        result = does(core, first, second, carry, sets)
        if target == PC:
            return _target(result)
        if target is not None:
            registers[target] = result
            if result is None and sets:
                core.if_zero = core.pc, target, 0
        elif first is None and second is not None and one is not None and does is _sub:
            core.if_zero = core.pc, one, second
        return None

    return execute


def _sets(target: int, value: Callable[[list[int | None]], int | None]) -> Operation:
    """A register to what ``value`` makes of all registers."""

    def execute(core: Core) -> None:
        core.registers[target] = value(core.registers)

    return execute


def _part(
    register: int, size: int, *, keeps_sign: bool, turned: int = 0
) -> Callable[[list[int | None]], int | None]:
    def value(registers: list[int | None]) -> int | None:
        word = shifted(registers[register], 3, turned, 0)[0] if turned else registers[register]
        if keeps_sign:
            return signed(word, 8 * size)
        return _lowest(word, size)

    return value


def _lowest(value: int | None, size: int) -> int | None:
    """The lowest bytes of a value; the same object where these are all."""
    return value if value is None or value >> 8 * size == 0 else value & ((1 << 8 * size) - 1)


def _reversed(register: int, kind: int) -> Callable[[list[int | None]], int | None]:
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
    if first < FIRST_WIDE:
        return {0x56: 8, 0x57: 8, 0x5E: 16, 0x5F: 16}.get(first >> 8, 0)
    return {0xF910: 8, 0xF930: 16}.get(first & 0xFF70, 0)


def _says_done(first: int, second: int) -> int | None:
    """The register in which STREX says whether it stored."""
    if first & 0xFFF0 == 0xE840 and second >> 12 != PC:
        return second >> 8 & 15
    return second & 15 if first & 0xFFF0 == 0xE8C0 and second & 0xC0 == 0x40 else None


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

    def execute(core: Core) -> int | None:
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
                core.store(at, _lowest(value, size), size)
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
        return _target(registers[PC]) if popped else None

    return execute


def _transfers_one(access: MemoryAccess) -> Operation:
    """The most frequent ones: one register, at an offset."""
    base, (register,), offset, size = access.base, access.registers, access.offset, access.size

    def load(core: Core) -> None:
        start = core.registers[base]
        core.registers[register] = None if start is None else core.load(start + offset, size)

    def store(core: Core) -> None:
        start, value = core.registers[base], core.registers[register]
        at = None if start is None else start + offset
        core.store(at, value if size == 4 else _lowest(value, size), size)

    return load if access.loads else store


def _literal(pc: int, target: int, distance: int, size: int = 4, bits: int = 0) -> Operation:
    address = (pc + 4 & ~3) + distance

    def execute(core: Core) -> int | None:
        value = core.load(address, size)
        if target == PC:
            return _target(value) if size == 4 else None
        core.registers[target] = signed(value, bits) if bits else value
        return None

    return execute


# --- 16 bits ---


def _narrow(pc: int, first: int) -> Operation:
    low, middle, high, imm8, eight = first & 7, first >> 3 & 7, first >> 6 & 7, first & 0xFF, first >> 8 & 7
    group = first >> 11
    if group < 3:
        amount = first >> 6 & 31
        return _computes(_mov, low, None, middle, shift=(group, amount or (32 if group else 0)))
    if group == 3:
        does: Binary = _sub if first & 0x200 else _add
        return (
            _computes(does, low, middle, None, high) if first & 0x400 else _computes(does, low, middle, high)
        )
    if group < 8:
        does = (_mov, _sub, _add, _sub)[group - 4]
        compares = group == 5
        return _computes(
            does,
            None if compares else eight,
            None if group == 4 else eight,
            None,
            imm8,
            flags=compares or None,
        )
    if first < 0x4400:
        return _narrow_of_two(first)
    if first < 0x4800:
        return _high(pc, first)
    if group == 9:
        return _literal(pc, eight, 4 * imm8)
    if group == 20:
        return _sets(eight, lambda _: (pc + 4 & ~3) + 4 * imm8)
    if group == 21:
        return _computes(_add, eight, SP, None, 4 * imm8, flags=False)
    if first >> 12 == 11:
        return _miscellaneous(pc, first)
    distance = branch_distance(first, 0)
    if group == 28 and distance is not None:
        target = pc + 4 + distance
        return lambda _: target
    return _stops("a supervisor call" if first >> 8 == 0xDF else "an undefined instruction")


def _narrow_of_two(first: int) -> Operation:
    low, middle, kind = first & 7, first >> 3 & 7, first >> 6 & 15
    does = _NARROW[kind]
    if does is None:
        return _shift_by_register(low, low, middle, _SHIFTS[kind], None)
    if kind == 9:  # RSBS #0
        return _computes(_rsb, low, middle, None, 0)
    compares = kind in _ONLY_FLAGS
    return _computes(does, None if compares else low, low, middle, flags=compares or None)


def _shift_by_register(target: int, value: int, by: int, kind: int, flags: bool | None) -> Operation:
    def execute(core: Core) -> None:
        amount = core.registers[by]
        if amount is not None:
            amount = min(amount & 0xFF, 64) if kind != 3 else amount & 0xFF
        result, carry = shifted(core.registers[value], kind, amount, core.c)
        core.registers[target] = core.logic(
            result, carry, flags=not core.in_block if flags is None else flags
        )

    return execute


def _high(pc: int, first: int) -> Operation:
    low, other = first >> 4 & 8 | first & 7, first >> 3 & 15
    if first >> 8 == 0x44:
        return _computes(_add, low, low, other, flags=False, pc=pc)
    if first >> 8 == 0x45:
        return _computes(_sub, None, low, other, flags=True, pc=pc)
    if first >> 8 == 0x46:
        return _computes(_mov, low, None, other, flags=False, pc=pc)
    if not first & 0x80:
        return lambda core: _target(core.registers[other])

    def call(core: Core) -> int | None:
        target = core.registers[other]
        if target is None:
            core.call_unknown()
            return None
        core.registers[LR] = pc + 3
        return target & ~1

    return call


def _miscellaneous(pc: int, first: int) -> Operation:
    low, middle = first & 7, first >> 3 & 7
    if first >> 8 == 0xB0:
        amount = 4 * (first & 0x7F)
        return _computes(_sub if first & 0x80 else _add, SP, SP, None, amount, flags=False)
    if first >> 8 == 0xB2:
        kind = first >> 6 & 3
        return _sets(low, _part(middle, 1 if kind & 1 else 2, keeps_sign=kind < 2))
    if first >> 8 == 0xBA and first >> 6 & 3 != 2:
        return _sets(low, _reversed(middle, first >> 6 & 3))
    if first >> 8 == 0xBF and first & 15:
        first_condition, mask = first >> 4 & 15, first & 15
        count = 4 - ((mask & -mask).bit_length() - 1)
        bits = [first_condition & 1, *(mask >> 3 - at & 1 for at in range(count - 1))]
        block = [first_condition & 14 | bit for bit in bits]

        def conditional(core: Core) -> None:
            core.conditions = block.copy()

        return conditional
    if first >> 8 == 0xBE:  # BKPT: what a debugger or a host answers
        return _unknown((0,))
    if first & 0xFFE8 == 0xB660 or first >> 8 == 0xBF:  # CPS, hints
        return _nothing
    return _stops("an undefined instruction")


# --- 32 bits ---


def _wide(pc: int, first: int, second: int) -> Operation:
    base, target, operand = first & 15, second >> 12 & 15, second >> 8 & 15
    if first & 0xFE00 == 0xEA00:
        return _of_shifted(pc, first, second)
    if first & 0xEC00 == 0xEC00:
        from gemel.m_profile.float_operations import float_operation

        return float_operation(pc, first, second)
    if first & 0xF800 == 0xF000:
        if second & 0x8000:
            return _branches(pc, first, second)
        return _plain_constant(pc, first, second) if first & 0x200 else _of_constant(first, second)
    if first & 0xFE1F == 0xF81F:
        size, distance = 1 << (first >> 5 & 3), second & 0xFFF
        bits = 8 * size if first & 0x100 else 0
        return _literal(pc, target, distance if first & 0x80 else -distance, size, bits)
    if first & 0xFF80 == 0xFA00 and second & 0xF0F0 == 0xF000:
        return _shift_by_register(operand, base, second & 15, first >> 5 & 3, bool(first & 0x10))
    if first & 0xFF80 == 0xFA00 and base == PC and second & 0xF080 == 0xF080:
        kind = first >> 4 & 7
        if kind in (0, 1, 4, 5):
            part = _part(
                second & 15, 2 if kind < 2 else 1, keeps_sign=not kind & 1, turned=8 * (second >> 4 & 3)
            )
            return _sets(operand, part)
    if first & 0xFFF0 == 0xFA90 and second & 0xF0C0 == 0xF080:
        return _sets(operand, _reversed(second & 15, second >> 4 & 3))
    if first & 0xFFF0 == 0xFAB0 and second & 0xF0F0 == 0xF080:
        return _sets(operand, lambda of: _zeros(of[second & 15]))
    if first & 0xFF80 in (0xFB00, 0xFB80):
        return _multiplies(first, second)
    if first & 0xFFF0 == 0xE8D0:
        return _table(pc, first, second)
    if first & 0xFF00 in (0xFA00, 0xFB00):
        return _unknown((operand,))
    return _stops("an instruction that is not followed")


def _zeros(value: int | None) -> int | None:
    """The zeros before the highest bit that is set."""
    return None if value is None else 32 - value.bit_length()


def _of_shifted(pc: int, first: int, second: int) -> Operation:
    kind, flags, one, target = first >> 5 & 15, bool(first & 0x10), first & 15, second >> 8 & 15
    amount, how = second >> 10 & 0x1C | second >> 6 & 3, second >> 4 & 3
    if how == 3 and not amount:  # RRX
        return _unknown((target,), flags=flags)
    amount = amount or (32 if how in (1, 2) else 0)
    does = _OF_ONE.get(kind) if one == PC else _WIDE.get(kind)
    if does is None:
        return _unknown((target,))
    compares = target == PC and flags
    return _computes(
        does, None if compares else target, one, second & 15, flags=flags, pc=pc, shift=(how, amount)
    )


def _of_constant(first: int, second: int) -> Operation:
    kind, flags, one, target = first >> 5 & 15, bool(first & 0x10), first & 15, second >> 8 & 15
    encoded = (first & 0x400) << 1 | (second & 0x7000) >> 4 | second & 0xFF
    does = _OF_ONE.get(kind) if one == PC else _WIDE.get(kind)
    if does is None:
        return _stops("an undefined instruction")
    turned = encoded >> 10 != 0
    compares = target == PC and flags
    return _computes(
        does, None if compares else target, one, None, modified_constant(encoded), flags=flags, carries=turned
    )


def _plain_constant(pc: int, first: int, second: int) -> Operation:
    base, target, kind = first & 15, second >> 8 & 15, first >> 4 & 31
    imm12 = (first & 0x400) << 1 | (second & 0x7000) >> 4 | second & 0xFF
    wide = (first & 15) << 12 | imm12
    lowest, width = second >> 10 & 0x1C | second >> 6 & 3, (second & 31) + 1
    if kind in (0, 10):
        if base == PC:
            address = (pc + 4 & ~3) + (imm12 if kind == 0 else -imm12)
            return _sets(target, lambda _: address & MASK)
        return _computes(_sub if kind else _add, target, base, None, imm12, flags=False)
    if kind == 4:
        return _sets(target, lambda _: wide)
    if kind == 12:
        return _sets(target, lambda of: _with_upper(of[target], wide))
    if kind in (20, 28):
        return _sets(target, lambda of: _field(of[base], lowest, width, keeps_sign=kind == 20))
    if kind == 22:
        mask = ((1 << max(0, width - lowest)) - 1) << lowest
        return _sets(target, lambda of: _inserted(of[target], 0 if base == PC else of[base], lowest, mask))
    return _unknown((target,))


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

        return _sets(target, product)
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

        return _sets(target, quotient)
    if first & 0xFFD0 == 0xFB80 and not second & 0xF0:

        def long_product(core: Core) -> None:
            left, right = core.registers[one], core.registers[two]
            if left is None or right is None:
                core.registers[third] = core.registers[target] = None
                return
            if not first & 0x20:
                left, right = (each - (each >> 31 << 32) for each in (left, right))
            core.registers[third], core.registers[target] = left * right & MASK, left * right >> 32 & MASK

        return long_product
    return _unknown((third, target) if first & 0xFF80 == 0xFB80 else (target,))


def _table(pc: int, first: int, second: int) -> Operation:
    """TBB and TBH; loads of two words or many by the program counter are not followed."""
    if second & 0xFFE0 != 0xF000:
        return _stops("an instruction that is not followed")
    base, index, half = first & 15, second & 15, second >> 4 & 1

    def execute(core: Core) -> int:
        start, by = pc + 4 if base == PC else core.registers[base], core.registers[index]
        entry = core.load(None if start is None or by is None else start + (by << half), 1 + half)
        return _target(None if entry is None else pc + 4 + 2 * entry)

    return execute


_MSP, _PSP, _MSPLIM, _CONTROL = 8, 9, 10, 20


def _branches(pc: int, first: int, second: int) -> Operation:
    if second & 0x5000:
        target = pc + 4 + call_distance(first, second)
        if second & 0x5000 == 0x1000:
            return lambda _: target
        if second & 0x4000 and second & 0x1000:

            def call(core: Core) -> int:
                core.registers[LR] = pc + 5
                return target

            return call
        return _stops("an undefined instruction")
    if first & 0xFFE0 == 0xF380:
        return _special(second & 0xFF, first & 15)
    if first & 0xFFE0 == 0xF3E0:
        target = second >> 8 & 15
        known = {_MSP: SP}.get(second & 0xFF)
        return _sets(target, lambda of: of[known] if known is not None else None)
    if first & 0xFFF0 in (0xF3A0, 0xF3B0):
        return _nothing
    return _stops("an undefined instruction")


def _special(name: int, register: int) -> Operation:
    """MSR."""

    def execute(core: Core) -> None:
        value = core.registers[register]
        if name == _MSP and not core.on_process_stack:
            core.registers[SP] = value
        elif name == _PSP:
            core.other_stack = value
        elif name == _CONTROL and value is not None and value & 2 and not core.on_process_stack:
            core.registers[SP], core.on_process_stack = core.other_stack, True
        elif name == _MSPLIM:
            core.stores[KnownStore(core.pc, MSPLIM, value)] = None
        elif name < 4:
            core.n = core.z = core.c = core.v = None

    return execute
