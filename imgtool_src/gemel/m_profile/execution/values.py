"""Instructions executed with values that are known or not, as start-up code is run without its device.

A register, flag or word of memory that is not known is None, and so is all that is computed of it.  A word loaded
from what the image stores remembers where from, so that a store of it is known as a copy.  Floating-point registers
are moved, loaded and stored; what else is done with them is not known.
Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory); tests hold them to a machine.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from gemel.m_profile.code.known_registers import CPACR, VTOR, KnownStore
from gemel.m_profile.execution.known_flags import MASK, KnownFlags
from gemel.m_profile.instructions.halfwords import CALLER_SAVED
from gemel.m_profile.instructions.memory_accesses import LR, SP
from gemel.spans import Span, without
from gemel.structs import NamedTuple

FLOAT_ACCESS = 0x0050_0000
"""Bits of CPACR of which each must be set for privileged access to coprocessors 10 and 11."""
ZERO, UNKNOWN, OTHER = 1 << 40, 1 << 41, 1 << 42
"""Where a word came from that was written: the distance of its copy, ZERO, an address not known, or anything else.

A word that was copied or cleared first stays so, whatever is written to it later.
"""

_MISSING = object()


class WrittenBytes(NamedTuple):
    """Bytes that were copied from ``source``, one after the other, or written with anything else (None)."""

    source: int | None
    span: Span


class WatchedWrite(NamedTuple):
    """A write of a device's register at which it is noted what RAM holds: of these bits, with this value."""

    register: int
    mask: int
    value: int


class Loaded(int):
    """A number that was loaded from ``source``, an address of what the image stores."""

    source: int


class Stop(Exception):
    """Execution cannot go on; ``blind`` if what comes next is not known."""

    def __init__(self, reason: str, *, blind: bool = False) -> None:
        super().__init__(reason)
        self.blind = blind


Operation = Callable[["FollowedCore"], "int | None"]
"""Executes one instruction; the address that it leads to if that is not the next one."""


def _loaded(value: int, source: int) -> Loaded:
    number = Loaded(value)
    number.source = source
    return number


FIRST_DATA = 0x2000_0000
"""Up to here it is code and constants, by the architecture's memory map."""

SYSTEM = 0xE000_0000
"""From here on it is the core's own registers."""

MSP, PSP = 8, 9
"""What MSR sets by the number of its register: the main and the process stack pointer."""

STACKS_KEPT = 16
"""Settings of a stack pointer that are kept, the last ones: code with frame pointers sets it in each function."""

DESCRIPTOR_SIZE = 32
"""Bytes of a descriptor that a device reads: few have more (common practice)."""


class FollowedCore(KnownFlags):
    """A core's registers and memory on one way through its code."""

    ram: tuple[Span, ...] = ()
    """The device's memories of RAM, which may be where the memory map has devices, as external RAM is."""

    def __init__(self, byte_at: Callable[[int], int | None], pc: int, stack: int | None) -> None:
        """``byte_at`` gives what the image stores for an address, as the core sees it at reset."""
        super().__init__()
        self.byte_at = byte_at
        self.pc = pc
        self.registers: list[int | None] = [*[None] * 13, stack, MASK, None]
        self.floats: list[int | None] = [None] * 64
        self.words: dict[int, Any] = {CPACR: 0}
        self.words_written: dict[int, int] = {}
        self.bytes_written: dict[int, int] = {}
        self.also: set[tuple[int, int, int]] = set()
        self.filled: tuple[tuple[Span, int], ...] = ()
        """Spans that were filled with one word each, the last first; not in ``words``."""
        self.read: set[int] = set()
        """Addresses of what was loaded of what the image stores, on all ways."""
        self.not_stored: set[int] = set()
        """Addresses where code and constants may be that were loaded from, and of which the image stores nothing."""
        self.asked: set[int] = set()
        """Words of which nothing was known when they were loaded, on all ways."""
        self.asked_last: int | None = None
        """The last one of them; None where something else that is not known was loaded after it."""
        self.called_by: set[int] = set()
        """Those by which functions were called of which nothing was known but that, on all ways."""
        self.described: set[tuple[int | None, ...]] = set()
        """The words at each address that a device was given, on all ways: its descriptor, if it is one."""
        self.conditions: list[int] = []
        self.goes: bool | None = None
        self.in_block = self.on_process_stack = False
        self.stores: dict[KnownStore, None] = {}
        self.watched: tuple[WatchedWrite, ...] = ()
        self.held: dict[WatchedWrite, frozenset[int]] = {}
        """The words of RAM that were known and not 0 at the first such write."""
        self.written_at: dict[WatchedWrite, frozenset[tuple[int, bool]]] = {}
        """The words of RAM that were written by the last such write, and whether as 0."""
        self.version = self.changes = 0
        self.loads_lost = 0
        """Words that were loaded from addresses which are not known, and not stored yet."""
        self.other_stack: int | None = None
        self.initial_stack, self.deepest = stack or 0, MASK
        """Where the main stack begins, and the lowest address to which it has grown; 0 once there is another one."""
        self.stacks: tuple[tuple[int, int, int], ...] = ()
        """The instructions that set a stack pointer to what is known, which (as MSR has it), and what to."""
        self.jumps: tuple[tuple[int, int, int], ...] = ()
        """Branches with a stack pointer that was loaded: where they are, and where pointer and target come from."""
        self.blind = ""
        self.float_at: int | None = None
        self.enabled = self.is_stopped = False
        self.table: int | None = None
        """What VTOR was set to last."""
        self.if_zero: tuple[int, int, int] | None = None
        """Where Z was set by something that is not known, and the register and its value if Z is set."""

    def is_device(self, address: int) -> bool:
        """Whether it is of devices or of the system, by the architecture's memory map and what RAM there is."""
        return (0x4000_0000 <= address < 0x6000_0000 or address >= 0xA000_0000) and not any(
            span.holds(address) for span in self.ram
        )

    def copy(self) -> FollowedCore:
        """The same, to go another way."""
        other = type(self)(self.byte_at, self.pc, None)
        other.__dict__.update(self.__dict__)
        for name in ("registers", "floats", "words", "words_written", "bytes_written", "also", "conditions"):
            setattr(other, name, getattr(self, name).copy())
        other.stores = self.stores.copy()
        return other

    def written(self) -> set[tuple[int, int, int]]:
        """Address, size and origin of all that was written."""
        of = ((4, self.words_written), (1, self.bytes_written))
        return self.also.union((at, size, origin) for size, each in of for at, origin in each.items())

    def has_written(self, expected: Iterable[WrittenBytes]) -> bool:
        """Whether all of the blocks was copied from their sources, or cleared."""
        words, single = self.words_written, self.bytes_written
        zeros = [Span(at, size) for at, size, origin in self.also if origin == ZERO and size > 4]
        written = 4 * len(words) + len(single) + sum(each.size for each in zeros)
        if written < sum(each.span.size for each in expected):
            return False
        return all(
            words.get(at & ~3) == origin or single.get(at) == origin
            for source, span in expected
            for origin in [ZERO if source is None else span.start - source]
            for rest in ([span] if source is not None or not zeros else without([span], zeros))
            for at in range(rest.start, rest.end)
        )

    def call_unknown(self) -> None:
        """Forget what a function may change of which nothing is known (AAPCS32)."""
        if self.asked_last is not None and not self.blind:
            self.called_by.add(self.asked_last)
        self.blind = self.blind or "a call of a function that is not known"
        for register in CALLER_SAVED:
            self.registers[register] = None

    def forget_changes(self, before: FollowedCore) -> None:
        """Forget what is not as it was ``before``, as after a loop that was left early.

        Where functions return to is kept: that is so for as long as they have not returned.
        """
        self.registers = [
            mine if mine == theirs or number in (SP, LR) else None
            for number, (mine, theirs) in enumerate(zip(self.registers, before.registers, strict=True))
        ]
        self.filled = before.filled
        stack = self.registers[SP] or MASK
        for at, word in self.words.items():
            if before.words.get(at, _MISSING) != word and not (at >= stack and self.leads_to_code(word)):
                self.words[at] = None

    def note_stack(self, which: int, value: int | None) -> None:
        """Note that the instruction sets a stack pointer, MSP or PSP, to what is known."""
        entry = self.pc, which, value or 0
        if which == MSP and not min(self.deepest, self.initial_stack) <= (value or 0) <= self.initial_stack:
            self.deepest = 0
        if value is not None and entry not in self.stacks[-STACKS_KEPT:]:
            self.stacks = (*self.stacks[-STACKS_KEPT:], entry)

    def grow_stack(self, address: int | None) -> None:
        """Note how far the stack in use reaches, if it is the main one."""
        if address is not None and address < self.deepest and not self.on_process_stack:
            self.deepest = address

    def note_jump(self, target: int | None) -> None:
        """Note a branch to a loaded address with a stack pointer that was loaded just before."""
        stack = self.registers[SP]
        if type(target) is Loaded and type(stack) is Loaded:
            self.jumps = (*self.jumps, (self.pc, stack.source, target.source))

    def leads_to_code(self, word: object) -> bool:
        """Whether a value is an address of stored bytes with the Thumb bit."""
        return isinstance(word, int) and bool(word & 1) and self.byte_at(word & ~1) is not None

    # --- memory ---

    def load(self, address: int | None, size: int) -> int | None:
        """What is at an address; None if that is not known."""
        if address is None:
            self.loads_lost, self.asked_last = self.loads_lost + 1, None
            return None
        address &= MASK
        if address & (size - 1):
            parts = [self.load(address + at, 1) for at in range(size)]
            if None in parts:
                return None
            value = int.from_bytes(bytes(each or 0 for each in parts), "little")
            sources = {each.source - at if type(each) is Loaded else None for at, each in enumerate(parts)}
            source = sources.pop()
            return value if sources or source is None else _loaded(value, source)
        aligned = address & ~3
        word: Any = self.words.get(aligned, _MISSING)
        if word is _MISSING:
            stored = self._stored(address, size)
            if stored is None:
                self.asked.add(aligned)
                self.asked_last = aligned
            return stored
        shift = 8 * (address & 3)
        mask = (1 << 8 * size) - 1
        if type(word) is tuple:
            word = word[0] if word[1] >> shift & mask == mask else None
        if word is None:
            self.asked_last = None
        if word is None or size == 4:
            return word  # type: ignore[no-any-return]
        return int(word >> shift & mask)

    def _stored(self, address: int, size: int) -> int | None:
        for span, word in self.filled:
            if span.holds(address):
                return word >> 8 * (address & 3) & (1 << 8 * size) - 1
        value = 0
        for at in range(size):
            byte = self.byte_at(address + at)
            if byte is None:
                if address < FIRST_DATA:
                    self.not_stored.add(address)
                return None
            value |= byte << 8 * at
        self.read.add(address)
        return _loaded(value, address)

    def store(self, address: int | None, value: int | None, size: int, *, saves: bool = False) -> None:
        """Write a value, known or not, to an address; where that is not known, anything may be changed.

        A store that ``saves`` a register on the stack copies no data, wherever the register was loaded from.
        """
        if address is None:
            self.blind = self.blind or "a store to an address that is not known"
            return
        address &= MASK
        if saves:
            self.grow_stack(address)
        if self.is_device(address):
            self.stores[KnownStore(self.pc, address, value)] = None
            for watched in self.watched:
                if watched.register == address:
                    self._note_held(watched, value)
            if address == VTOR:
                self.table = self.words[VTOR] = value
            if address != CPACR:
                self.describe(address, value)
                return
            self.enabled |= self.float_at is None and (value is None or value & FLOAT_ACCESS == FLOAT_ACCESS)
        if address & (size - 1):
            for at in range(size):
                self.store(address + at, None if value is None else value >> 8 * at & 0xFF, 1, saves=saves)
            return
        origin = ZERO if value == 0 else OTHER
        if type(value) is Loaded:
            origin = OTHER if saves else address - value.source
        if value is None and self.loads_lost:
            origin, self.loads_lost = UNKNOWN, self.loads_lost - 1
        if size == 4:
            self._note(self.words_written, address, 4, origin)
        else:
            for each in range(address, address + size):
                self._note(self.bytes_written, each, 1, origin)
        aligned = address & ~3
        word: Any = value
        if size < 4:
            word = self._merged(aligned, 8 * (address & 3), value, (1 << 8 * size) - 1)
        if self.words.get(aligned, _MISSING) != word:
            self.words[aligned] = word
            self.version += 1
        elif size == 4:
            self.words[aligned] = word

    def _note_held(self, watched: WatchedWrite, value: int | None) -> None:
        if value is not None and value & watched.mask != watched.value:
            return
        written = {at: word == 0 for at, word in self.words.items()}
        for span, word in self.filled:
            written = dict.fromkeys(range(span.start, span.end, 4), not word) | written
        self.written_at = {**self.written_at, watched: frozenset(written.items())}
        if watched not in self.held:
            held = frozenset(at for at, word in self.words.items() if type(word) is not tuple and word)
            self.held = {**self.held, watched: held}

    def describe(self, target: int | str, value: int | None) -> None:
        """Note the words that a device finds at an address that it is given."""
        if value is None or not isinstance(target, int) or target >= SYSTEM:
            return
        read, self.read = self.read, set()
        self.described.add(tuple(self.load((value & ~3) + at, 4) for at in range(0, DESCRIPTOR_SIZE, 4)))
        self.read = read

    def fill(self, span: Span, word: int) -> None:
        """Store a word over and over."""
        whole = Span.from_bounds(span.start + 3 & ~3, span.end & ~3)
        for each in without([span], [whole]):
            for at in range(each.start, each.end):
                self.store(at, word >> 8 * (at & 3) & 0xFF, 1)
        for at in [at for at in self.words if whole.holds(at)]:
            del self.words[at]
        self.filled = ((whole, word), *self.filled)
        if not word:
            self.also.add((*whole, ZERO))
        self.version += 1
        self.changes += 1

    def is_cleared(self, address: int) -> bool:
        """Whether a word is zero and was not copied as that."""
        word = self.words.get(address, _MISSING)
        if word is _MISSING:
            return next((not word for span, word in self.filled if span.holds(address)), False)
        return type(word) is int and word == 0

    def _note(self, written: dict[int, int], address: int, size: int, origin: int) -> None:
        known = written.get(address)
        if known is None or (known != origin and known >= ZERO and origin < known):
            if known == ZERO:
                self.also.add((address, size, ZERO))
            written[address] = origin
            self.changes += 1
        elif known != origin and origin <= ZERO:
            self.also.add((address, size, origin))

    def _merged(self, aligned: int, shift: int, value: int | None, mask: int) -> object:
        word = self.words.get(aligned, _MISSING)
        if word is _MISSING:
            word = self._stored(aligned, 4)
        before, known = word if type(word) is tuple else (word or 0, 0 if word is None else MASK)
        mask <<= shift
        before = before & ~mask | ((value or 0) << shift & mask)
        known = known & ~mask if value is None else known | mask
        return before if known == MASK else (before, known)


class AnsweredCore(FollowedCore):
    """A core for which all that is not known reads as one number, such as what devices answer."""

    answer = 0

    def load(self, address: int | None, size: int) -> int | None:
        """What is at an address; the lowest bytes of the answer if that is not known."""
        value = super().load(address, size)
        return self.answer & (1 << 8 * size) - 1 if value is None else value
