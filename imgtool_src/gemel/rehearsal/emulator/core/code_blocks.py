"""What is looked at once for each new piece of code, before it runs for the first time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from itertools import takewhile

from gemel.m_profile.capabilities import Capability
from gemel.m_profile.instructions.halfwords import instructions
from gemel.m_profile.instructions.instruction_table import Encoding, encoding_of
from gemel.rehearsal.emulator.core.alignment_looks import MustAlign
from gemel.rehearsal.emulator.core.instruction_needs import (
    IF_THEN_SPAN,
    aligned_base,
    if_then_conditions,
    is_as_user,
    is_division,
    is_exclusive,
    is_sleep,
    is_target_test,
    is_unmask,
    lowers_stack_far,
    may_unalign_stack,
    moves_stack,
    non_secure_target,
    sets_control,
    sets_stack_limit,
    sets_stack_pointer,
    uses_system_register,
)
from gemel.rehearsal.plan import CorePlan
from gemel.spans import Span
from gemel.structs import NamedTuple

LOOK_AHEAD = 128
"""Bytes looked at where a run begins in the middle of something."""

_FLOAT: frozenset[Capability] = frozenset({"fp", "fp-double", "fp16", "mve", "mve-fp"})
"""An instruction that one of these lets a core execute is of the float unit, which may be off."""

_NOT_EMULATED: frozenset[Capability] = frozenset({"v8.1", "mve", "mve-fp", "fp16"})
"""What no core of the emulator has."""

_EMULATED_DOUBLE = 10
"""The emulator's number of its one core with a double-precision unit."""


class Doubtful(NamedTuple):
    """An instruction to look at: where the core stops for it, after how many others, and why.

    The core does not stop in an if-then block, but before it; ``condition`` is then that of the instruction, which is
    at ``at``.  Some of the others may be ``skipped``, and are then not counted.  ``need`` is what it is in words, with
    ``switched_off`` where the core has that and it is off; ``sets_stack`` says that it writes a stack pointer,
    ``tests_target`` that it is TT, each looked at once; ``non_secure_target`` is the register with the target of a
    branch that may leave Secure state, ``system`` that it is MRS, MSR or CPS where the emulator ignores CONTROL.nPRIV.
    """

    stop: int
    before: int
    skipped: bool
    at: int
    condition: int | None
    need: str = ""
    switched_off: bool = False
    sets_stack: bool = False
    tests_target: bool = False
    non_secure_target: int | None = None
    system: bool = False


class _Traits(NamedTuple):
    """What an instruction is: if-then conditions that it begins, the reasons of ``Doubtful``, what must be aligned."""

    encoding: Encoding
    conditions: tuple[int, ...]
    sets_stack: bool
    tests_target: bool
    non_secure_target: int | None
    base: tuple[int, int] | None


@cache
def _traits(first: int, second: int) -> _Traits:
    return _Traits(
        encoding_of(first, second),
        tuple(if_then_conditions(first)),
        sets_stack_pointer(first, second),
        is_target_test(first, second),
        non_secure_target(first),
        aligned_base(first, second),
    )


class CodeBlocks:
    """Knows which instructions of a core were looked at, and where those are that the core stops at.

    A block is doubtful when it is outside the core's code, holds an instruction that the layout says the core
    lacks, one of the float unit while that is switched off, a branch that may leave Secure state, or one whose
    address must be aligned and that nobody looks at yet.
    """

    def __init__(
        self,
        plan: CorePlan,
        read: Callable[[int, int], bytes],
        float_on: Callable[[], bool],
        was_loaded: Callable[[int], bool],
    ) -> None:
        """``was_loaded`` says whether code was written to an address of RAM."""
        self._was_loaded = was_loaded
        self.suspect: int | None = None
        self.entered_data: int | None = None
        """Where the core last went into RAM that no build says is code."""
        self.starts: set[int] = set()
        self.unmasked: set[int] = set()
        """Addresses after instructions that may let an exception through: CPSIE and MSR of a mask."""
        self.sleeps: set[int] = set()
        """Addresses of WFI."""
        self.uses_exclusives = self.sets_limits = self.sets_control = self.acts_as_user = False
        self.lowers_stack_far = False
        self.divisions: set[int] = set()
        """Addresses of SDIV and UDIV, while a division by zero traps."""
        self.traps_division = self.found_stop = False
        """A block seen since this was last cleared holds an address of ``unmasked`` or ``sleeps``."""
        self._plan, self._read, self._float_on = plan, read, float_on
        self._seen: dict[int, bytes] = {}
        self._loaded: dict[int, bytes] = {}
        self._noted: set[tuple[int, bytes]] = set()
        self._covered: set[int] = set()
        self._must_align: list[MustAlign] = []
        self._moves: list[int] = []
        self._moves_seen: set[int] = set()
        self._looked_at: dict[int, tuple[int, int]] = {}
        self._seen_once: set[int] = set()
        self._lacks = set(plan.lacks)
        self._uses_float = plan.has_float
        self._is_armv6 = plan.architecture == "armv6-m"
        """The emulated core checks alignment itself then, and ignores CONTROL.nPRIV."""
        self.watches_privilege = False
        """Whether code of such a core gave up its privilege, so that MRS, MSR and CPS are looked at."""

    def known(self, address: int) -> bool:
        """Whether the instruction at ``address`` was looked at and may be met again."""
        return address in self._covered

    def is_doubtful(self, address: int, size: int) -> bool:
        """Whether to stop before the block; a block that is not is known from now on."""
        code = self._read(address, size)
        self.starts.add(address)
        if self._seen.get(address) == code:
            return False
        self._note_stops(address, code)
        if not self.executable(address):
            return True
        if next(self._candidates(address, code), None) is not None or self._must_align or self._moves:
            return True
        self._seen[address] = code
        if self.is_loaded(address):
            self._loaded[address] = code
        return False

    def first_doubtful(self, address: int) -> list[Doubtful]:
        """The first doubtful instruction from ``address`` on, in straight order; none if there is none near.

        Those of one if-then block are given together.
        What is after a branch may be no instruction at all: the caller must go there step by step.
        """
        self.starts.add(address)
        code = self._read(address, LOOK_AHEAD)
        self._note_stops(address, code)
        candidates = self._candidates(address, code)
        first = next(candidates, None)
        return [first, *takewhile(lambda each: each.stop == first.stop, candidates)] if first else []

    def must_align(self) -> list[MustAlign]:
        """Instructions whose addresses must be aligned and that nobody looks at yet: the caller does so now."""
        found, self._must_align = self._must_align, []
        return found

    def stack_moves(self) -> list[int]:
        """Addresses of instructions that may move the stack pointer and that nobody follows yet: the caller does."""
        found, self._moves = self._moves, []
        return found

    def seen_once(self, address: int) -> None:
        """The instruction at ``address``, which writes a stack pointer or is TT, was executed and seen to."""
        self._seen_once.add(address)

    def if_then_at(self, address: int) -> int:
        """ITSTATE of the instruction at ``address``, by the code before it; 0 outside if-then blocks."""
        for begin in self._covered.intersection(range(address - IF_THEN_SPAN, address, 2)):
            (_, first, _), *block = instructions(self._read(begin, address - begin + 4))
            for before, (offset, *_) in enumerate(block[: len(if_then_conditions(first))]):
                if begin + offset == address:
                    return first & 0xE0 | first << before & 0x1F
        return 0

    def encoding_at(self, address: int) -> Encoding:
        """What the instruction at ``address`` is."""
        first, second = next(((one, two) for _, one, two in instructions(self._read(address, 4))), (0, 0))
        return encoding_of(first, second)

    def missing(self, address: int) -> bool:
        """Whether the layout says that the core has no such instruction."""
        return self.encoding_at(address).is_lacking(self._lacks)

    def not_emulated(self, address: int) -> bool:
        """Whether the core has it and the emulator has not."""
        double: set[Capability] = set() if self._plan.emulated_as == _EMULATED_DOUBLE else {"fp-double"}
        return self.encoding_at(address).is_lacking(_NOT_EMULATED | double)

    def executable(self, address: int) -> bool:
        """Whether there is code of this core at ``address``."""
        if any(span.holds(address) for span in self._plan.executable):
            return True
        return self.is_loaded(address) and self._was_loaded(address)

    def is_loaded(self, address: int) -> bool:
        """Whether there is RAM at ``address`` in which code may run that no build knows of."""
        return any(span.holds(address) for span in self._plan.loadable) and not any(
            span.holds(address) for span in self._plan.executable
        )

    def saw_code_in(self, span: Span) -> bool:
        """Whether code that was looked at may be in ``span``."""
        return any(map(span.overlaps, self._plan.executable)) or any(map(span.holds, self._loaded))

    def loaded_again(self) -> bool:
        """Whether code in RAM that no build knows of is no longer what it was when it was looked at."""
        return any(self._read(address, len(code)) != code for address, code in self._loaded.items())

    def forget(self) -> None:
        """Code may have changed: look at everything again."""
        self._seen.clear()
        self._loaded.clear()
        self._noted.clear()
        self._covered.clear()

    def _note_stops(self, address: int, code: bytes) -> None:
        if (address, code) in self._noted:
            return
        self._noted.add((address, code))
        for offset, first, second in instructions(code):
            if is_unmask(first, second):
                self.unmasked.add(address + offset + (4 if second else 2))
            elif is_sleep(first, second):
                self.sleeps.add(address + offset)
            elif self.traps_division and is_division(first, second) is not None:
                if self._looked_at.get(address + offset) != (first, second):
                    self.divisions.add(address + offset)
            else:
                self.uses_exclusives |= is_exclusive(first, second)
                self.sets_limits |= sets_stack_limit(first, second)
                self.sets_control |= sets_control(first, second)
                self.acts_as_user |= is_as_user(first, second)
                self.lowers_stack_far |= lowers_stack_far(first, second)
                if moves_stack(first, second) or may_unalign_stack(first, second):
                    self._note_move(address + offset)
                continue
            self.found_stop = True

    def _note_move(self, at: int) -> None:
        if at not in self._moves_seen:
            self._moves_seen.add(at)
            self._moves.append(at)

    def _candidates(self, address: int, code: bytes) -> Iterator[Doubtful]:
        off = self._uses_float and not self._float_on()
        block, skipped, conditions = (0, 0), False, list[int]()
        for count, (offset, first, second) in enumerate(instructions(code)):
            condition = conditions.pop(0) if conditions else None
            encoding, begun, sets_stack, tests_target, target, base = _traits(first, second)
            at = address + offset
            if condition is None and begun:
                block, conditions = (at, count), list(begun)
            stop, before = (at, count) if condition is None else block
            place = stop, before, skipped, at, condition
            skipped |= condition is not None and not conditions
            if encoding.is_lacking(self._lacks):
                yield Doubtful(*place, encoding.in_words)
                continue
            if off and _FLOAT.intersection(encoding.needs):
                yield Doubtful(*place, encoding.in_words, switched_off=True)
                continue
            if self.watches_privilege and uses_system_register(first, second):
                yield Doubtful(*place, system=True)
                continue
            if self._is_armv6 and sets_control(first, second) and at not in self._seen_once:
                yield Doubtful(*place, system=True)
                continue
            if (sets_stack or tests_target) and at not in self._seen_once:
                yield Doubtful(*place, sets_stack=sets_stack, tests_target=tests_target)
                continue
            if target is not None:
                need = f"{'BLXNS' if first & 0x80 else 'BXNS'} r{target}"
                yield Doubtful(*place, need, non_secure_target=target)
                continue
            if self._is_armv6:
                base = None
            if condition is not None and self.traps_division:
                divisor = is_division(first, second)
                base = base if divisor is None else (divisor, 0)
            if base and self._looked_at.get(at) != (first, second):
                self._looked_at[at] = first, second
                self.divisions.discard(at)
                self._must_align.append(MustAlign(stop, at, (first, second), *base, condition))
            self._covered.add(at)
