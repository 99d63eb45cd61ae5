"""Loops that copy or fill memory, gone through at once.

A loop is plain where some turns in a row take the same way, ask conditions of sums that change by the same each turn,
and store either what they load from a place that moves along, or the same value.  When it ends follows from the sums.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise

from gemel.m_profile.execution.known_flags import MASK
from gemel.m_profile.execution.values import FollowedCore, Loaded, Operation, Stop
from gemel.spans import Span
from gemel.structs import NamedTuple

Entry = tuple[int, "Operation | None", "tuple[int, bool, int] | None"]
"""Size, operation, and of a conditional branch its condition or register, whether that is to be zero, its target."""

_TURNS = 4
"""Turns that are compared."""

_INSTRUCTIONS = 96
"""Instructions of one turn: -O0 takes some twenty for a word, unrolled loops as many."""

_MIN_TURNS = 8
"""Turns below which nothing is gained."""

_FAR, _MAX_COPIED = 1 << 28, 1 << 18
"""No memory is as large, nor is so much copied."""

_HALF = 1 << 31

_Sum = tuple["int | None", "int | None", "int | None"]


class _Access(NamedTuple):
    address: int
    size: int
    value: int | None


class _Condition(NamedTuple):
    condition: int
    holds: bool
    sum: _Sum


class _Turn(NamedTuple):
    path: list[int]
    conditions: list[_Condition]
    loads: list[_Access]
    stores: list[_Access]
    registers: list[int | None]


class _Watched(FollowedCore):
    """A core that notes what it loads and stores, and the sum that its flags are of."""

    sum: _Sum | None = (None, None, None)

    @classmethod
    def of(cls, core: FollowedCore) -> _Watched:
        watched = cls(core.byte_at, core.pc, None)
        watched.__dict__.update(core.copy().__dict__)
        return watched

    def add(self, one: int | None, two: int | None, carry: int | None, *, flags: bool) -> int | None:
        if flags:
            self.sum = one, two, carry
        return super().add(one, two, carry, flags=flags)

    def logic(self, result: int | None, carry: int | None, *, flags: bool) -> int | None:
        if flags:
            self.sum = None
        return super().logic(result, carry, flags=flags)

    def load(self, address: int | None, size: int) -> int | None:
        value = super().load(address, size)
        self.loads.append(_Access(_aligned(address, size), size, value))
        return value

    def store(self, address: int | None, value: int | None, size: int, *, saves: bool = False) -> None:
        self.stores_made.append(_Access(_aligned(address, size), size, value))
        super().store(address, value, size, saves=saves)

    def turn(self, entry_at: Callable[[FollowedCore, int], Entry], goes: bool | None = None) -> _Turn:
        """Go on until here again, if a branch is here as it ``goes``; raises Stop where that is long or not known."""
        self.loads: list[_Access] = []
        self.stores_made: list[_Access] = []
        start, path, conditions = self.pc, list[int](), list[_Condition]()
        while not path or self.pc != start or self.conditions:
            if len(path) == _INSTRUCTIONS:
                raise Stop("a long turn")
            pc = self.pc
            path.append(pc)
            size, operation, branch = entry_at(self, pc)
            if self.conditions:
                condition = self.conditions.pop(0)
                if not self._asked(conditions, condition):
                    self.pc = pc + size
                    continue
                self.in_block = True
            if branch is None:
                led = operation(self) if operation else None
            elif goes is not None:
                value = self.registers[branch[0]]
                known = (
                    self.holds(branch[0])
                    if operation is None
                    else None
                    if value is None
                    else (not value) == branch[1]
                )
                if known is None or len(path) == 1:  # loops go on back, and are left forwards
                    known = goes if len(path) == 1 else branch[2] <= pc and path.count(pc) == 1
                led = branch[2] if known else None
            elif operation is None:
                led = branch[2] if self._asked(conditions, branch[0]) else None
            else:
                value = self.registers[branch[0]]
                taken = (value == 0) == branch[1]
                conditions.append(_Condition(not branch[1], taken, (value, 0, 0)))
                led = branch[2] if taken else None
            self.pc = pc + size if led is None else led
            self.in_block = False
        return _Turn(path, conditions, self.loads, self.stores_made, self.registers.copy())

    def _asked(self, conditions: list[_Condition], condition: int) -> bool:
        known = self.holds(condition)
        if known is None or self.sum is None:
            raise Stop("a condition of no sum")
        conditions.append(_Condition(condition, known, self.sum))
        return known


def _aligned(address: int | None, size: int) -> int:
    if address is None or address & (size - 1):
        raise Stop("an address that is not known, or not aligned")
    return address & MASK


def goes_through_plain_loop(core: FollowedCore, entry_at: Callable[[FollowedCore, int], Entry]) -> bool:
    """Whether the core is in a plain loop that stores much; then it goes on to the turn in which that changes."""
    if core.conditions:
        return False
    watched = _Watched.of(core)
    try:
        watched.turn(entry_at)  # what the flags are of is known from then on
        turns = [watched.turn(entry_at) for _ in range(_TURNS)]
        if any(each.path != turns[0].path for each in turns) or watched.blind != core.blind:
            return False
        if not _go_through(watched, turns):
            return False
    except Stop:
        return False
    for name in vars(core):
        setattr(core, name, getattr(watched, name))
    return True


def reach_of_loop(core: FollowedCore, entry_at: Callable[[FollowedCore, int], Entry], *, goes: bool) -> Span:
    """What a loop may clear or copy that goes on as the branch here ``goes``, and ends where that is not known.

    Raises Stop where that is no loop of this kind.
    """
    watched = _Watched.of(core)
    turns = [watched.turn(entry_at, goes) for _ in range(_TURNS)]
    if any(each.path != turns[0].path for each in turns) or _comes_back(core, entry_at, goes=not goes):
        raise Stop("turns that differ, or another end")
    moving = [
        each for each in zip(*(turn.stores for turn in turns), strict=True) if _may_initialise(core, each)
    ]
    steps = {_exact([access.address for access in each]) for each in moving}
    if len(steps) != 1 or abs(step := steps.pop()) > sum(each[0].size for each in moving):
        raise Stop("nothing that is cleared or copied whole")
    first, last = (
        min(each[0].address for each in moving),
        max(each[0].address + each[0].size for each in moving),
    )
    part = first & -_FAR
    return Span.from_bounds(first, part + _FAR) if step > 0 else Span.from_bounds(part, last)


def _comes_back(core: FollowedCore, entry_at: Callable[[FollowedCore, int], Entry], *, goes: bool) -> bool:
    """Whether the branch is one inside the loop and does not leave it."""
    try:
        _Watched.of(core).turn(entry_at, goes)
    except Stop:
        return False
    return True


def _may_initialise(core: FollowedCore, stored: Sequence[_Access]) -> bool:
    """Whether a store moves along and writes zeros or copies, and not to a device."""
    copied = all(access.value == 0 or isinstance(access.value, Loaded) for access in stored)
    return copied and stored[0].address != stored[1].address and not core.is_device(stored[0].address)


def _go_through(core: _Watched, turns: list[_Turn]) -> bool:
    """Do what the turns to come do that are as those that were seen, if these show that."""
    changes = [_turns_as_before(each) for each in zip(*(turn.conditions for turn in turns), strict=True)]
    count = min((each for each in changes if each is not None), default=0)
    stores = list(zip(*(turn.stores for turn in turns), strict=True))
    moving = [each for each in stores if each[0].address != each[1].address]
    copies = [each for each in moving if _source(each[0].value) != _source(each[1].value)]
    fills = [each for each in moving if each not in copies]
    steps = [_step([access.address for access in each]) for each in moving]
    far = [each[-1].address + count * (step or 0) for each, step in zip(moving, steps, strict=True)]
    if not _MIN_TURNS <= count < _FAR or not moving or None in steps:
        return False
    if any(core.is_device(each) for each in far) or count * len(copies) > _MAX_COPIED:
        return False
    loaded = {access.address: access.size for turn in turns for access in turn.loads}
    if not _loads_only_these(turns, copies) or any(_value(each) is None for each in fills):
        return False
    registers = [
        _later(core, values, count, loaded)
        for values in zip(*(turn.registers for turn in turns), strict=True)
    ]
    cells = [
        (each[-1], _later(core, [access.value for access in each], count, loaded))
        for each in stores
        if each not in moving
    ]
    if fills and not _fill(core, fills, count):
        return False
    for each in copies:
        step = _exact([access.address for access in each])
        source, source_step = _source(each[-1].value), _exact([_source(access.value) for access in each])
        for turn in range(1, count + 1):
            value = FollowedCore.load(core, source + turn * source_step, each[-1].size)
            FollowedCore.store(core, each[-1].address + turn * step, value, each[-1].size)
    for access, value in cells:
        FollowedCore.store(core, access.address, value, access.size)
    core.registers = registers
    return True


def _loads_only_these(turns: list[_Turn], copies: list[tuple[_Access, ...]]) -> bool:
    """Whether what is loaded from places that move along is copied and nothing else, as far as that shows."""
    used = {_source(access.value) for each in copies for access in each}
    return all(
        loads[0].address == loads[1].address or used.issuperset(access.address for access in loads)
        for loads in zip(*(turn.loads for turn in turns), strict=True)
    )


def _source(value: int | None) -> int:
    """Where a value was loaded from; -1 for others."""
    return value.source if isinstance(value, Loaded) else -1


def _later(core: FollowedCore, values: Sequence[int | None], count: int, sizes: dict[int, int]) -> int | None:
    """What a register or a word of memory, that had these values in the turns, holds ``count`` turns later."""
    last, sources = values[-1], [_source(each) for each in values]
    if last is None or (len({*sources}) == 1 and len({*values}) == 1):
        return last
    if sources[0] != sources[1]:
        source = sources[-1] + count * _exact(sources)
        return FollowedCore.load(core, source, sizes[sources[-1]])
    return last + count * _exact(values) & MASK


def _fill(core: FollowedCore, fills: list[tuple[_Access, ...]], count: int) -> bool:
    """Fill what the stores of the turns to come leave no gap in, with one word; False if they do."""
    steps = {_exact([access.address for access in each]) for each in fills}
    words = {_as_word(_value(each) or 0, each[-1].size) for each in fills}
    at = reached = min(each[-1].address for each in fills)
    for access in sorted(each[-1] for each in fills):
        if access.address != reached:
            return False
        reached += access.size
    step = steps.pop()
    if steps or reached - at != abs(step) or len(words) > 1:
        return False
    core.fill(Span(at + step if step > 0 else at + count * step, count * abs(step)), words.pop())
    return True


def _value(stored: Sequence[_Access]) -> int | None:
    """What is stored in each turn; None where that differs or is not known."""
    values = {access.value for access in stored}
    return values.pop() if len(values) == 1 else None


def _as_word(value: int, size: int) -> int:
    return int.from_bytes(value.to_bytes(4, "little")[:size] * (4 // size), "little")


def _step(values: Sequence[int | None]) -> int | None:
    """By how much each is more than the one before, or less; None where that differs or is not known."""
    steps = {None if one is None or two is None else _signed(two - one) for one, two in pairwise(values)}
    return steps.pop() if len(steps) == 1 else None


def _exact(values: Sequence[int | None]) -> int:
    """The same; raises Stop for None."""
    if (step := _step(values)) is None:
        raise Stop("what changes in another way")
    return step


def _signed(value: int) -> int:
    return (value + _HALF & MASK) - _HALF


# --- when a condition changes ---


def _turns_as_before(seen: Sequence[_Condition]) -> int | None:
    """How many turns more a condition is as it was; None where it never changes.  Raises Stop if that is not known."""
    ones, twos, carries = zip(*(each.sum for each in seen), strict=True)
    one, two, carry = seen[-1].sum
    if one is None or two is None or carry is None or len({*carries}) > 1:
        raise Stop("a sum that is not known")
    if len({_source(each) for each in ones}) > 1 or len({_source(each) for each in twos}) > 1:
        raise Stop("a condition of what is loaded")
    first, second = _exact(ones), _exact(twos)
    probe = FollowedCore(lambda _: None, 0, None)
    turns = {
        *_crossings(one, first),
        *_crossings(two, second),
        *_crossings(one + two + carry, first + second),
    }
    for turn in sorted(turns):
        probe.add(one + turn * first & MASK, two + turn * second & MASK, carry, flags=True)
        if probe.holds(seen[-1].condition) != seen[-1].holds:
            return turn - 2  # the flags may be those of the turn before
    return None


def _crossings(value: int, step: int) -> Iterator[int]:
    """The next turns in which a value may pass a multiple of 2**31, or is one."""
    for number in range(3):
        if step > 0:
            turn = -((value - (value // _HALF + 1 + number) * _HALF) // step)
        elif step < 0:
            turn = (value - (value // _HALF - number) * _HALF) // -step
        else:
            return
        yield from (each for each in (turn, turn + 1) if each > 0)
