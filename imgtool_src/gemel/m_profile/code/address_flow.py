"""Whether code may store to a watched address in a way that is not followed as constants.

An address that no function puts together as a constant may be NEAR one that is, or COMPUTED: a page number shifted
to its place, a product, an exclusive or.  Both are followed through registers, the stack, calls and results, what is
COMPUTED through memory too, by the address or the offset of the word.  A pointer that is loaded from elsewhere, or
passed by unknown code, leads only where such an address was put.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping

from gemel.m_profile.code.function_steps import Function
from gemel.m_profile.code.known_registers import Registers, set_mark
from gemel.m_profile.code.known_stores import followed
from gemel.m_profile.instructions.computed_addresses import (
    COMPUTED,
    LARGE,
    SCALED,
    adds,
    any_number,
    constant_of,
    limit_of_result,
    moves,
    registers_read,
    registers_set,
)
from gemel.m_profile.instructions.halfwords import (
    CALLER_SAVED,
    FIRST_WIDE,
    branch_distance,
    is_call,
    is_return,
)
from gemel.m_profile.instructions.memory_accesses import SP, MemoryAccess, memory_access
from gemel.spans import Span
from gemel.structs import NamedTuple

WINDOW, ROUND, REGION = 0x1_0000, 0x100_0000, 0x2000_0000
"""Bytes around a watched address in which what may lead to it is, and below it for multiples of 64 KiB; an
address that is a multiple of ROUND may be the base of all that is in one of the architecture's regions."""

NEAR, FRAME = 1, 8
"""What is known of a value besides COMPUTED and SCALED: it is near the address, or on the stack."""

MIN_POINTER, MAX_DEPTH, LR, WORD = 0x1000_0000, 40, 14, 4
"""A smaller number may be the index to another base; calls inside each other are followed so deep."""

Seeds = tuple[tuple[int, int, "int | None"], ...]
"""Registers at the start of a function, each with what is known of it and its value if it is an address near."""


MAX_STEPS = 200_000
"""Instructions that are followed, each as often as it takes."""


class TooManySteps(Exception):
    """The code is too large, or goes too many ways, to be followed."""


class _Summary(NamedTuple):
    """Whether a function may store to the address, and what it returns."""

    may: bool = False
    returned: int = 0


class AddressFlow:
    """The functions of a build, and where addresses that may be the watched ones go in them."""

    def __init__(
        self,
        watched: tuple[Span, ...],
        functions: Mapping[int, bytes],
        word_at: Callable[[int], int | None],
        pointed_to: frozenset[int] = frozenset(),
    ) -> None:
        """``functions`` by their run addresses, of which ``pointed_to`` may be called through pointers."""
        self._watched, self._functions, self._word_at = watched, functions, word_at
        self._starts = sorted(functions)
        self._pointed_to = sorted(pointed_to & functions.keys())
        self._memory: set[tuple[str, int | None]] = set()
        self._summaries: dict[tuple[int, Seeds], _Summary] = {}
        self._decoded: dict[int, Function | None] = {}
        self._depth = self.steps = 0
        self._may = self._returned = 0
        self._current = Span(0, 0)

    def holds(self, value: int | None) -> bool:
        """Whether a value is an address near a watched one."""
        return value is not None and any(
            abs(each.start - value) < (WINDOW if each.size <= WORD else each.size)
            or (
                0 < value <= each.start
                and value // REGION == each.start // REGION
                and ((each.start - value < ROUND and value % WINDOW == 0) or value % ROUND == 0)
            )
            for each in self._watched
        )

    def near(self, words: Iterable[tuple[int, int]]) -> Iterator[int]:
        """The places of the words that are addresses near a watched one; most words are far below or above all."""
        reach = [(each.start, max(each.size, WINDOW)) for each in self._watched]
        first = min(min(start - size, start // REGION * REGION) for start, size in reach)
        last = max(start + size for start, size in reach)
        return (at for at, word in words if first <= word < last and self.holds(word))

    def may_store(self) -> bool:
        """Whether any of the functions may.

        Raises TooManySteps.
        """
        while True:
            before = len(self._memory)
            self._summaries.clear()
            if any(self._summary(start, ()).may for start in self._functions):
                return True
            if len(self._memory) == before:
                return False

    def _summary(self, start: int, seeds: Seeds) -> _Summary:
        key = start, seeds
        if key in self._summaries:
            return self._summaries[key]
        function = self._function_from(start)
        if function is None or self._depth > MAX_DEPTH:
            return _Summary(may=bool(seeds))
        self._summaries[key] = _Summary()
        self._depth += 1
        outer = self._may, self._returned, self._current
        self._may = self._returned = 0
        self._current = function.span
        registers = Registers(self._word_at, dict(_known(seeds)))
        registers.marks.update({register: kinds for register, kinds, _ in seeds if kinds})
        followed(function, registers, self._observe)
        self._summaries[key] = _Summary(bool(self._may), self._returned)
        self._may, self._returned, self._current = outer
        self._depth -= 1
        return self._summaries[key]

    def _function_from(self, address: int) -> Function | None:
        """The rest of the function that an address is in; None for unknown code."""
        if address not in self._decoded:
            before = bisect_right(self._starts, address)
            start = self._starts[before - 1] if before else address
            code = self._functions.get(start, b"")[address - start :]
            self._decoded[address] = Function(code, address, self._word_at) if code else None
        return self._decoded[address]

    def _kinds(self, registers: Registers, register: int | None, known: Mapping[int, int]) -> int:
        if register is None:
            return 0
        if register in known:
            return NEAR if self.holds(known[register]) else 0
        return FRAME if register == SP else registers.marks.get(register, 0)

    def _observe(
        self,
        address: int,
        first: int,
        second: int,
        known: Mapping[int, int],
        registers: Registers,
        called: int | None,
    ) -> None:
        """Take the instruction: ``known`` are the constants before it, ``registers`` has those after it."""
        self.steps += 1
        if self.steps > MAX_STEPS:
            raise TooManySteps
        access = memory_access(first, second)
        if access:
            self._transfer(access, known, registers)
        elif is_call(first, second):
            self._call(address, first, second, known, registers, called)
        else:
            self._compute(first, second, known, registers)
        if is_return(first, second):
            self._returned |= self._kinds(registers, 0, registers.known) & ~FRAME
        distance = branch_distance(first, second)
        target = None if distance is None else address + 4 + distance
        if first & 0xFF80 == 0x4700 and first >> 3 & 15 != LR:
            through = known.get(first >> 3 & 15)
            self._returned |= self._enter(
                self._pointed_to if through is None else (through & ~1,), known, registers
            )
        elif target is not None and not self._current.holds(target) and access is None:
            self._returned |= self._enter((target,), known, registers)

    # --- memory ---

    def _place(
        self, access: MemoryAccess, at: int, known: Mapping[int, int], registers: Registers
    ) -> tuple[object, ...]:
        """What a word of memory is known by: its slot on the stack, its address, or its offset from something."""
        frame = self._kinds(registers, access.base, known) & FRAME
        offset = None if access.by is not None else access.offset + at
        if frame:
            return (
                ("slot", access.base, offset & ~3)
                if access.base in (7, 11, SP) and offset is not None
                else ("slot",)
            )
        if access.base in known and offset is not None:
            return "at", known[access.base] + offset & ~3
        return "plus", offset

    def _transfer(self, access: MemoryAccess, known: Mapping[int, int], registers: Registers) -> None:
        marks = registers.marks
        if access.loads:
            found = [
                self._loaded(access, at, known, registers) for at in range(0, 4 * len(access.registers), 4)
            ]
            for register, kinds in zip(access.registers, found, strict=True):
                near = NEAR if self.holds(registers.known.get(register)) else 0
                set_mark(marks, register, kinds | near)
            return
        self._address(access, known, registers)
        pushes = access.base == SP and access.writeback is not None
        for number, register in enumerate(access.registers if not pushes else ()):
            kinds = self._kinds(registers, register, known) & ~FRAME
            place = self._place(access, 4 * number, known, registers)
            if access.size < 4:
                kinds = COMPUTED if place[0] != "plus" and access.by is None else 0
            if place[0] == "slot":
                set_mark(
                    marks,
                    place,
                    kinds if access.size == 4 and len(place) > 1 else kinds | marks.get(place, 0),
                )
            elif kinds & NEAR:
                self._may = 1
            elif kinds & COMPUTED:
                self._memory.add(place)  # type: ignore[arg-type]
        if access.writeback is not None and access.base not in registers.known and access.base in known:
            set_mark(marks, access.base, self._kinds(registers, access.base, known))

    def _loaded(self, access: MemoryAccess, at: int, known: Mapping[int, int], registers: Registers) -> int:
        if access.size < 4:
            return 0
        place = self._place(access, at, known, registers)
        kinds = registers.marks.get(place, 0) | (
            registers.marks.get(("slot",), 0) if place[0] == "slot" else 0
        )
        return kinds | (
            COMPUTED if place in self._memory or ("plus", access.offset + at) in self._memory else 0
        )

    def _address(self, access: MemoryAccess, known: Mapping[int, int], registers: Registers) -> None:
        """Note it if the store may lead to the watched address."""
        base, index = (self._kinds(registers, each, known) for each in (access.base, access.by))
        start = known.get(access.base)
        shifted = known.get(access.by) if access.by is not None else 0
        if start is not None and shifted is not None:
            first = start + (shifted << access.shift) + access.offset & 0xFFFF_FFFF
            self._may |= any(each.overlaps(Span(first, access.width)) for each in self._watched)
        elif (base | index) & NEAR:
            self._may = 1
        elif access.by is None:
            self._may |= bool(base & (COMPUTED | SCALED))
        elif (base | index) & COMPUTED and not any(
            each & FRAME or self._is_base(known.get(register or 0))
            for each, register in ((base, access.base), (index, access.by))
        ):
            self._may = 1

    def _is_base(self, value: int | None) -> bool:
        """Whether a value can only be the base of something else, however large its index."""
        regions = {each.start // REGION for each in self._watched}
        return value is not None and value >= MIN_POINTER and value // REGION not in regions

    # --- calls ---

    def _call(
        self,
        address: int,
        first: int,
        second: int,
        known: Mapping[int, int],
        registers: Registers,
        called: int | None,
    ) -> None:
        if first >= FIRST_WIDE:
            distance = branch_distance(first, second, calls=True)
            targets: Iterable[int] = (address + 4 + (distance or 0),)
        else:
            targets = (called & ~1,) if called is not None else self._pointed_to
        returned = self._enter(targets, known, registers)
        for register in CALLER_SAVED:
            registers.marks.pop(register, None)
        set_mark(registers.marks, 0, returned)

    def _enter(self, targets: Iterable[int], known: Mapping[int, int], registers: Registers) -> int:
        """What the functions return, passed the registers as they are."""
        seeds = []
        for register in CALLER_SAVED[:4]:
            kinds = self._kinds(registers, register, known) & (NEAR | COMPUTED)
            if kinds:
                seeds.append((register, kinds, known.get(register)))
        returned = 0
        for target in targets:
            summary = self._summary(target, tuple(seeds))
            self._may |= summary.may
            returned |= summary.returned
        return returned

    # --- arithmetic ---

    def _compute(self, first: int, second: int, known: Mapping[int, int], registers: Registers) -> None:
        for target in registers_set(first, second):
            if target in registers.known:
                set_mark(registers.marks, target, self._kinds(registers, target, registers.known))
                continue
            sources = registers_read(first, second)
            values = [known[each] for each in sources if each in known]
            constant = constant_of(first, second)
            if constant is not None:
                values.append(constant)
            kinds = [self._kinds(registers, each, known) for each in sources]
            marks = 0
            for each in kinds:
                marks |= each
            if any(self.holds(value) for value in values):
                marks |= NEAR
            if limit_of_result(first, second, values) <= min(each.start for each in self._watched):
                marks = 0
            elif adds(first, second):
                if first & 0xFE00 == 0xEA00 and not second & 0x30 and second & 0x6000:
                    marks |= COMPUTED
                if marks & FRAME or any(self._is_base(value) for value in values):
                    marks &= ~(COMPUTED | SCALED)
                elif constant is None and len(sources) == 2 and not all(each & SCALED for each in kinds):
                    marks &= ~SCALED
                if any(LARGE <= value <= 0xF000_0000 and not self._is_base(value) for value in values):
                    marks |= COMPUTED
            else:
                marks &= ~FRAME if not moves(first, second) else ~0
                marks |= any_number(first, second, values, scaled=bool(marks & SCALED))
            set_mark(registers.marks, target, marks)


def _known(seeds: Seeds) -> Iterable[tuple[int, int]]:
    return ((register, value) for register, _, value in seeds if value is not None)
