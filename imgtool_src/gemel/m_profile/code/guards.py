"""Whether an instruction is reached only where a test of what the core is, or has in use, lets it.

A compiler's library and a scheduler hold instructions of extensions that a core may lack, and step over them
where a register says so: the CONTROL register, the value in LR on exception entry (EXC_RETURN, whose bit 4 says that
no floating-point context was stacked), the coprocessor access, floating-point or identification registers.  What is
read from them is followed through registers, the stack, arguments, results and variables, bit by bit, to the branches
and IT blocks that it decides.
Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Container, Iterable, Mapping, Sequence

from gemel.m_profile.code.function_steps import EACH, Function, StepWays, is_unknown_jump
from gemel.m_profile.code.known_registers import Changed, Registers, set_mark
from gemel.m_profile.code.known_stores import followed
from gemel.m_profile.instructions.computed_addresses import registers_read, registers_set
from gemel.m_profile.instructions.halfwords import (
    CALLER_SAVED,
    FIRST_WIDE,
    branch_distance,
    is_call,
    is_return,
)
from gemel.m_profile.instructions.memory_accesses import SP, MemoryAccess, memory_access
from gemel.m_profile.instructions.result_bits import (
    ALL,
    CARRY,
    FLAGS,
    adds_carry,
    carried_bits,
    deciding_bits,
    kept_bits,
    sets_flags,
)
from gemel.m_profile.instructions.wide_forms import wide_form
from gemel.structs import NamedTuple

LR = 14
NO_FLOAT_STACKED, FLOAT_IN_USE = 0x10, 0xC
"""Bit 4 of EXC_RETURN; FPCA and SFPA of CONTROL."""

FILL = (0xBF00, 0), wide_form(0x46C0, 0), wide_form(0, 0)
"""What fills up before a function: NOP in both its forms, zeros."""

SHORT = 64
"""A function of so many instructions that tests the core returns what it found."""

EFFORT = 200_000
"""Instructions that are looked at, for all questions of one function."""

ADDRESSES = 0x1000_0000
"""From here on a number is likely an address, and no answer to what the core is."""

VariablePlace = int | tuple[int, int]
"""A word's address; or offset and size of what is stored by a pointer that is not known, as members are."""

_FRAMES = (7, 11, SP)


def says_what_core_is(address: int) -> bool:
    """Whether a register of the system control space says what the core has, or has in use.

    CPUID, the identification and coprocessor access registers, FPCCR to MVFR2, and the peripheral's own numbers.
    """
    if address & ~0x2_0FFF != 0xE000_E000:
        return False
    offset = address & 0xFFC
    return offset == 0xD00 or 0xD40 <= offset <= 0xD8C or 0xF34 <= offset <= 0xF48 or offset >= 0xFD0


class Passed(NamedTuple):
    """The bits of r0 to r3 at a call that come from the core, and their known values."""

    bits: tuple[tuple[int, int], ...] = ()
    known: tuple[tuple[int, int], ...] = ()


class Guards:
    """One function and the branches in it that the core's own state decides.

    ``word_at`` gives the constant word at an address (None: not known), ``returned`` the bits that a called function
    returns of the core's state by what is passed to it; the words at ``variables`` hold some.  ``effort`` is how many
    instructions may be looked at: what is left of that once a question was answered; ``followed``, how often the
    values of one were followed.
    """

    def __init__(
        self,
        function: Function,
        word_at: Callable[[int], int | None],
        passed: Passed = Passed(),  # noqa: B008  immutable
        returned: Callable[[int, Passed], int] = lambda _, _passed: 0,
        variables: Container[VariablePlace] = (),
        effort: int = EFFORT,
    ) -> None:
        self._steps = function.steps
        self._ways = StepWays(function, self._is_decided)
        self._returned, self._variables = returned, variables
        self._left_in_block, self._block_tests = 0, False
        self.effort = effort - len(function.steps)
        self._least_effort = effort // 2
        self._from_entry: dict[int, set[int]] = {}
        self.followed = 0
        self.tests: set[int] = set()
        self.in_block: dict[int, bool] = {}
        self.calls: dict[int, Passed] = {}
        self._stores: dict[int, tuple[VariablePlace, int, int | Changed | None]] = {}
        self._others: dict[int, VariablePlace | None] = {}
        self._uses: dict[int, set[int]] = {}
        self._result, self._chosen, self._indexes = 0, frozenset[int](), False
        self._follow(function, word_at, passed)
        self._chosen = self._decided_code()
        if self._chosen:
            self._others.clear()
            self._follow(function, word_at, passed)
        self.decides = (
            bool(self.tests)
            or self._indexes
            or any(self.in_block.values())
            or any(bits for _, bits, _ in self._stores.values())
        )

    def _follow(self, function: Function, word_at: Callable[[int], int | None], passed: Passed) -> None:
        registers = Registers(word_at, dict(passed.known))
        registers.marks.update({LR: NO_FLOAT_STACKED, **dict(passed.bits)})
        followed(function, registers, self._observe)
        self._ways.forget()

    def _decided_code(self) -> frozenset[int]:
        """The addresses of what is executed on one way only that a test of the core leads to."""
        found: set[int] = set()
        for address in self.tests:
            if self.effort < self._least_effort:
                break
            index = self._ways.index[address]
            after = {
                way
                for each in self._ways.after(index)
                for way in (self._ways.after(each) if each == EACH else [each])
            }
            ways: list[set[int]] = [self._ways.reached(way, index) for way in after]
            self.effort -= 1 + 2 * sum(map(len, ways))
            found.update(each for way in ways for each in way if not all(each in other for other in ways))
        return frozenset(self._steps[each].address for each in found)

    @property
    def result(self) -> int:
        """The bits of what the function returns that come from the core."""
        return ALL if self.tests and len(self._steps) <= SHORT else self._result

    def cover(self, address: int, *, entries: bool = False) -> bool:
        """Whether the core's state decides if the instruction at ``address`` is reached, whatever else happens.

        It is not where some way leads to it on which each branch either is no test of the core or leads to it
        both ways.  With ``entries`` functions may begin after each end, where nothing leads.
        """
        if address not in self._ways.index or not self.decides or self.effort <= 0:
            return False
        index = self._ways.index[address]
        before = bisect_right(self._ways.led_to_by_none, index) if entries else 0
        entry = self._ways.led_to_by_none[before - 1] if before else 0
        return self._may_reach(entry, index) and not self._leads_there(entry, index)

    def chooses(self, value: int, *, entries: bool = False) -> bool:
        """Whether the core's state decides if an address is used that the function puts together.

        What calls pass on counts where nothing else uses it: it may be what is left in a register.  Of a table, at an
        even address, something else is used: the entry that the core's state chooses.
        """
        if not value & 1:
            return self.decides
        passed = (at for at, each in self.calls.items() if any(value == known for _, known in each.known))
        uses = self._uses.get(value) or passed
        return self.decides and all(self.cover(at, entries=entries) for at in uses)

    def begin_of(self, address: int) -> int | None:
        """Where what leads to an instruction begins: the function, or what nothing in it leads to, past its fill.

        None of another function's.
        """
        if address not in self._ways.index:
            return None
        index, begin = self._ways.index[address], 0
        before = bisect_right(self._ways.led_to_by_none, index)
        if before and not self._may_reach(0, index):
            begin = self._ways.led_to_by_none[before - 1]
            while begin < index and self._steps[begin][1:3] in FILL:
                begin += 1
        return self._steps[begin].address

    def _may_reach(self, entry: int, index: int) -> bool:
        if entry not in self._from_entry:
            self._from_entry[entry] = self._ways.reached(entry)
            self.effort -= len(self._from_entry[entry])
        return index in self._from_entry[entry]

    def _leads_there(self, entry: int, last: int) -> bool:
        """Whether a way leads from ``entry`` to ``last`` that no test of the core decides, or may as far as looked."""
        leading: set[int] = set()
        waiting = [last] if not self.in_block.get(self._steps[last].address) else []
        while waiting and self.effort > 0:
            index = waiting.pop()
            if index == entry:
                return True
            if index not in leading:
                leading.add(index)
                before = self._ways.before.get(index, ())
                self.effort -= 1 + len(before)
                waiting += [each for each in before if each not in leading and self._leads(each, leading)]
        return self.effort <= 0

    def _leads(self, index: int, leading: set[int]) -> bool:
        """Whether a step leads into these, whatever the core is."""
        ways = [way in leading for way in self._ways.after(index)]
        return all(ways) if index == EACH or self._is_decided(index) else any(ways)

    def _is_decided(self, index: int) -> bool:
        """Whether a test of the core decides where a step leads, or whether it is executed."""
        address = self._steps[index].address if index >= 0 else -1
        return address in self.tests or bool(self.in_block.get(address))

    # --- what instructions do ---

    def _observe(
        self, address: int, first: int, second: int, known: Mapping[int, int], after: Registers, called: int | None
    ) -> None:  # fmt: skip
        self.followed += 1
        marks, tested = after.marks, 0
        if self._left_in_block:
            self._left_in_block -= 1
            self.in_block[address] = self._block_tests
        access = memory_access(first, second)
        distance = branch_distance(first, second)
        for register in _used(first, second, access):
            if register in known:
                self._uses.setdefault(known[register], set()).add(address)
        if distance is not None:
            tested = deciding_bits(first, second, marks)
            self._pass(address, known, marks)
        elif first & 0xFF00 == 0xBF00 and first & 15:
            self._left_in_block = 4 - ((first & -first).bit_length() - 1)
            self._block_tests = bool(deciding_bits(first, second, marks))
        elif first & 0xFFF0 == 0xE8D0 and second & 0xFFE0 == 0xF000:
            tested = marks.get(second & 15, 0)
        elif access:
            if is_unknown_jump(first, second) and access.by is not None:
                tested = marks.get(access.by, 0)
            self._transfer(address, access, known, after)
        elif is_call(first, second) and self._steps[self._ways.index[address]].leads_to:
            tested = marks.get(0, 0)
        elif is_call(first, second):
            self._call(address, first, second, known, marks, called)
        else:
            self._compute(address, first, second, known, after)
        if tested:
            self.tests.add(address)
        if is_return(first, second):
            self._result |= marks.get(0, 0)

    def _pass(self, address: int, known: Mapping[int, int], marks: Mapping[object, int]) -> None:
        numbers = CALLER_SAVED[:4]
        self.calls[address] = Passed(
            tuple((each, marks[each]) for each in numbers if marks.get(each)),
            tuple((each, known[each]) for each in numbers if each in known),
        )

    def _call(
        self, address: int, first: int, second: int, known: Mapping[int, int], marks: dict[object, int],
        called: int | None,
    ) -> None:  # fmt: skip
        self._pass(address, known, marks)
        target = called
        if first >= FIRST_WIDE:
            target = address + 4 + (branch_distance(first, second, calls=True) or 0)
        for place in (*CALLER_SAVED, LR, FLAGS, CARRY):
            marks.pop(place, None)
        set_mark(marks, 0, 0 if target is None else self._returned(target & ~1, self.calls[address]))

    def _transfer(
        self, address: int, access: MemoryAccess, known: Mapping[int, int], after: Registers
    ) -> None:
        marks, place = after.marks, None
        index = 0 if access.by is None else known.get(access.by)
        if access.base in known and index is not None:
            place = known[access.base] + access.offset + (index << access.shift) & ALL
        pushed = [marks.get(register, 0) for register in access.registers]
        if access.base == SP and access.writeback is not None:
            _move_stack(marks)
        field = None
        if place is None and access.base not in _FRAMES and access.by is None:
            field = access.offset, access.size
        if access.loads:
            chosen = any(marks.get(each) for each in (access.base, access.by))
            self._indexes |= chosen
            for register in access.registers:
                slot = marks.get((access.base, access.offset), 0) if access.base in _FRAMES else 0
                bits = slot if len(access.registers) == 1 and access.by is None else 0
                kept = place is not None and (says_what_core_is(place) or place in self._variables)
                kept |= field is not None and field in self._variables and len(access.registers) == 1
                here = address in self._chosen and _is_answer(after.known.get(register))
                if chosen or kept or here:
                    bits = ALL
                kept_here = access.base in _FRAMES and access.by is None and access.writeback is None
                set_mark(marks, register, NO_FLOAT_STACKED if register == LR and not kept_here else bits)
        elif access.base == SP and access.writeback is not None:
            for number, bits in enumerate(pushed):
                set_mark(marks, (SP, 4 * number), bits)
        elif len(access.registers) == 1:
            bits, value = pushed[0], known.get(access.registers[0])
            if self.in_block.get(address) or (address in self._chosen and _is_answer(value)):
                bits = ALL
            set_here = None if place is None else after.set_here(access.registers[0], place)
            if place is not None and (bits or set_here is not None):
                self._stores[address] = place, bits, set_here
            elif field is not None and bits:
                self._stores[address] = field, bits, None
            elif place is not None or (field is not None and value):
                self._others[address] = place if place is not None else field
            elif access.base in _FRAMES and access.by is None:
                set_mark(marks, (access.base, access.offset), bits)

    def _compute(
        self, address: int, first: int, second: int, known: Mapping[int, int], after: Registers
    ) -> None:
        marks = after.marks
        read = registers_read(first, second)
        bits = 0
        for register in read:
            bits |= marks.get(register, 0)
        if first == 0xF1BE and second & 0x8F00 == 0x0F00:  # CMP of LR and a number, which EXC_RETURN is not
            bits = 0
        elif first == 0xF3EF:
            bits = FLOAT_IN_USE if second & 0x7F == 0x14 else 0
        elif first in (0xF8DF, 0xF85F) or not bits:
            bits = 0
        else:
            bits = kept_bits(first, second, bits, [known[each] for each in read if each in known])
        if self.in_block.get(address) or (adds_carry(first) and marks.get(CARRY)):
            bits = ALL
        if sets_flags(first, second):
            before = max((marks.get(register, 0) for register in read), default=0)
            set_mark(marks, CARRY, carried_bits(first, second, before))
            set_mark(marks, FLAGS, bits)
        for register in registers_set(first, second):
            chosen = address in self._chosen and _is_answer(after.known.get(register))
            set_mark(marks, register, ALL if chosen else bits)
        if first >= FIRST_WIDE and second >> 8 & 15 == SP:
            _move_stack(marks)


def kept_answers(functions: Iterable[Guards], *, entries: bool = False) -> frozenset[VariablePlace]:
    """Where functions store what they find out of the core.

    Not where they store anything else, or nothing that they do not store whatever the core is, too.
    """
    answers: dict[VariablePlace, set[object]] = {}
    always: dict[VariablePlace, set[object]] = {}
    others: set[VariablePlace | None] = set()
    for guards in functions:
        for at, (place, bits, value) in guards._stores.items():
            kept = answers if bits or guards.cover(at, entries=entries) else always
            kept.setdefault(place, set()).add(value)
        others.update(place for at, place in guards._others.items() if not guards.cover(at, entries=entries))
    return frozenset(
        place
        for place, values in answers.items()
        if place not in others and values - always.get(place, set())
    )


def _used(first: int, second: int, access: MemoryAccess | None) -> Sequence[int]:
    """The registers whose values an instruction stores, jumps to or computes with."""
    if access:
        return () if access.loads else access.registers
    return (first >> 3 & 15,) if first & 0xFF00 == 0x4700 else registers_read(first, second)


def _is_answer(value: int | None) -> bool:
    """Whether a value that is set on one way only may say later which way that was."""
    return value is None or value < ADDRESSES


def _move_stack(marks: dict[object, int]) -> None:
    for place in [each for each in marks if isinstance(each, tuple) and each[0] == SP]:
        del marks[place]
