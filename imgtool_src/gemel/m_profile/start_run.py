"""Start-up code run from the reset handler on, on the ways that it may go where a condition is not known.

What devices answer is not known.  Where code asks them, both ways are gone, each once; a loop that waits is left, and
one that counts is left for last.
A way ends at ``main``, or where it goes round without doing anything new.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator

from gemel.m_profile.execution import (
    UNKNOWN,
    ZERO,
    AnsweredCore,
    FollowedCore,
    Loaded,
    Operation,
    Stop,
    WatchedWrite,
    WrittenBytes,
)
from gemel.m_profile.halfwords import FIRST_WIDE, branch_distance
from gemel.m_profile.known_registers import VTOR, KnownStore
from gemel.m_profile.plain_loops import Entry, goes_through_plain_loop, reach_of_loop
from gemel.m_profile.thumb_operations import operation_of
from gemel.spans import Span, merge, without
from gemel.structs import NamedTuple

STEPS_LIMIT, STEPS_AFTER, STEPS_DONE, IDLE_STEPS = 60_000, 10_000, 512, 512
"""Instructions of all ways up to ``main``, after it, and once all is initialised; and those without anything new until
another way is tried.  What one writes counts too, where that is more, and a way with much written as several."""

TRIES_LIMIT = 3
"""Times that one instruction, or one way from it, is looked at for a loop that only copies or fills, and is in none."""

CODE_LIMIT = 1_000
"""Different instructions up to ``main``, and after it: start-up code has a few hundred."""

MAX_COPIES = 4
"""Places that one word is copied to: more are a pattern that memory is filled with."""

WAYS_LIMIT = 100
"""Conditions that are not known, of each of which the other way is gone too."""

WAYS_COMPARED = 16
"""Ways of which it is looked at what all of them clear: of more, nothing is said."""

SYSTEM_WORDS = 16
"""Words of a vector table before those of interrupts."""

LEAST_ZEROED = 16
"""Bytes of copied data that are cleared: fewer are variables that code sets."""

EQ, NE = 0, 1
"""Conditions of branches."""


class End(NamedTuple):
    """Where a way was left, or does nothing new, and what VTOR is set to where the way goes on there."""

    at: int
    table: int | None


class StartRun(NamedTuple):
    """What start-up code did: ``why_not`` says why it may do more than was seen (empty: it does not).

    ``written`` is what was cleared or copied on any way, ``copies`` what of that came from where; ``later`` is copied
    or (without a source) cleared after ``main`` has begun, and ``zeroed`` is what was copied and is cleared again by
    then.  ``stores`` are those to devices and the system, after that too; ``float_at`` is the first floating-point
    instruction with the unit off.
    ``blank_tables`` are addresses in RAM that VTOR is set to, of whose system vectors none is written, or only as zero.
    ``ends`` are those of all ways, in ``main`` or after it; ``overwritten`` is what they write where the image stores
    something, as in flash, and ``read`` are the addresses of what they load there.  ``described`` are the words at each
    address that a device is given, as it is given and at the end.  ``gone`` are the instructions of all ways up to
    ``main``, of which one came there and none was left for its length where ``is_whole``.  ``always`` is what each
    way to ``main`` clears, ``stacks`` the addresses of instructions by which each sets a stack pointer, which
    one (as MSR has it), and what to.  ``jumps`` are branches: where they are, and where their stack pointer and target
    were loaded from.  ``perhaps`` is what may be cleared or copied: it gets values that are not known, or a loop whose
    end is not known may reach it.  ``tables`` are those in RAM with their words as all ways leave them that set VTOR to
    one (None where they differ or that is not known); ``not_stored`` is what of the code's part of memory is loaded and
    not stored.  ``overrun`` are the words after copied blocks that copies of these have left in what is to be cleared.
    ``held`` are the words of RAM that are not 0 on all ways with a watched write, at
    that write, ``filled`` those that any way had written by its last such write, each with whether as 0; ``asked``
    those of which nothing was known when they were loaded.
    """

    why_not: str
    written: tuple[Span, ...]
    copies: tuple[WrittenBytes, ...]
    later: tuple[WrittenBytes, ...]
    zeroed: tuple[Span, ...]
    stores: tuple[KnownStore, ...]
    enables_float: bool
    float_at: int | None
    blank_tables: frozenset[int]
    ends: tuple[End, ...]
    overwritten: tuple[Span, ...] = ()
    read: frozenset[int] = frozenset()
    described: frozenset[tuple[int | None, ...]] = frozenset()
    gone: frozenset[int] = frozenset()
    is_whole: bool = False
    always: tuple[Span, ...] = ()
    stacks: tuple[tuple[int, int, int], ...] = ()
    jumps: frozenset[tuple[int, int, int]] = frozenset()
    perhaps: tuple[Span, ...] = ()
    tables: tuple[tuple[int, tuple[int | None, ...]], ...] = ()
    not_stored: frozenset[int] = frozenset()
    overrun: tuple[Span, ...] = ()
    held: frozenset[tuple[WatchedWrite, int]] = frozenset()
    asked: frozenset[int] = frozenset()
    filled: frozenset[tuple[WatchedWrite, int, bool]] = frozenset()


def start_run(
    byte_at: Callable[[int], int | None],
    reset: int,
    stack: int | None,
    main: int | None,
    expected: tuple[WrittenBytes, ...] | None = None,
    *,
    goes_on: bool = False,
    answer: int | None = None,
    vectors: int | None = None,
    table_words: int = SYSTEM_WORDS,
    watched: tuple[WatchedWrite, ...] = (),
) -> StartRun:
    """Run code from ``reset`` on; ``byte_at`` gives what is stored for an address, as the core sees it at reset.

    ``expected`` is all that is to be copied and (without a source) cleared: where that is done, little is left to see,
    unless the code ``goes_on`` into other code.  With an ``answer``, what is not known reads as that.
    ``vectors`` is what VTOR holds at reset, ``table_words`` the words of a vector table; ``watched`` are the writes
    at which it is noted what RAM holds.
    """
    run = _Run(frozenset() if main is None else frozenset((main & ~1,)), expected)
    core = (FollowedCore if answer is None else AnsweredCore)(byte_at, reset & ~1, stack)
    if isinstance(core, AnsweredCore):
        core.answer = answer or 0
    if vectors is not None:
        core.words[VTOR] = vectors
    core.watched = watched
    run.go_all(core, STEPS_LIMIT)
    before = _written(run.ended, byte_at, expected or ())
    after: set[tuple[int, int, int]] = set()
    cores, why_not = run.ended, run.why_not
    ends = [core for core in cores if core not in run.arrived]
    rests, blank_at_rest = run.rests, run.blank_at_rest
    for each in run.arrived[:1]:
        then = _Run(frozenset(), None)
        done = not goes_on and expected is not None and each.has_written(expected)
        then.go_all(each.copy(), STEPS_DONE if done else STEPS_AFTER)
        if done and _blank_tables(then.ended, then.blank_at_rest):
            then.go_all(each.copy(), STEPS_AFTER)
        after = _written(then.ended, byte_at) - before
        cores = cores + then.ended
        ends += then.ended
        rests, blank_at_rest = rests | then.rests, blank_at_rest | then.blank_at_rest
    ways = (run.arrived or [core for core in run.ended if not core.is_stopped] or run.ended) + run.pending
    floats = [each.float_at for each in cores if each.float_at is not None]
    for each in cores:
        for store in each.stores:
            if store.value is not None and store.value & ~3 in each.words:
                each.describe(store.target, store.value)
    return StartRun(
        why_not,
        _joined(before),
        _copies(before),
        (
            *_copies(after),
            *(WrittenBytes(None, span) for span in _joined(each for each in after if each[2] == ZERO)),
        ),
        tuple(_zeroed(run, ways, expected or (), byte_at)),
        tuple({store: None for each in cores for store in each.stores}),
        any(each.enabled for each in cores),
        floats[0] if floats else None,
        _blank_tables(cores, blank_at_rest),
        tuple({End(core.pc, None if core.is_stopped else core.table): None for core in ends} | rests),
        tuple(merge(Span(at, size) for at, size, _ in before | after if byte_at(at) is not None)),
        frozenset(cores[0].read) if cores else frozenset(),
        frozenset(cores[0].described) if cores else frozenset(),
        frozenset(run.instructions),
        bool(run.arrived) and run.steps > 0,
        _cleared_by_each(ways),
        tuple(each for each in (ways[0].stacks if ways else ()) if all(each in core.stacks for core in ways)),
        frozenset(each for core in cores for each in core.jumps),
        tuple(merge([*run.reached, *(Span(at, size) for at, size, origin in before if origin == UNKNOWN)])),
        tuple(_words_of_tables(cores, table_words)),
        frozenset(cores[0].not_stored) if cores else frozenset(),
        () if why_not else tuple(_overrun(ways, expected or ())),
        frozenset(
            (each, at)
            for each in watched
            if (held := [core.held[each] for core in cores if each in core.held])
            for at in frozenset.intersection(*held)
        ),
        frozenset(cores[0].asked) if cores else frozenset(),
        frozenset(
            (each, *word) for core in cores for each, words in core.written_at.items() for word in words
        ),
    )


def _cleared_by_each(cores: list[FollowedCore]) -> tuple[Span, ...]:
    """What all of these ways clear, the rest of which some may not have been gone."""
    if len(cores) > WAYS_COMPARED:
        return ()
    common: list[Span] | None = None
    for core in reversed(cores):  # those that are still to be gone have written least
        cleared = merge(Span(at, size) for at, size, origin in core.written() if origin == ZERO)
        common = cleared if common is None else without(common, without(common, cleared))
        if not common:
            break
    return tuple(common or ())


def _blank_tables(cores: list[FollowedCore], at_rest: set[int]) -> frozenset[int]:
    """What VTOR is set to in RAM where no way writes a system vector, as far as each way shows what it writes.

    Where it was blank ``at_rest``, what other ways write counts only where it is a handler: they go on from a loop that
    they left without knowing its data.
    """
    users: dict[int, list[FollowedCore]] = {}
    for core in cores:
        for value in _tables_in_ram(core):
            users.setdefault(value, []).append(core)
    blank = {value for value, those in users.items() if all(_is_blank(core, value) for core in those)}
    blank |= {value for value in at_rest if not any(_has_handler(core, value) for core in cores)}
    return frozenset(blank)


def _words_of_tables(cores: list[FollowedCore], count: int) -> Iterator[tuple[int, tuple[int | None, ...]]]:
    """Each table in RAM with its words as ways leave them that show all they write; none where one of them does not."""
    for table in sorted({value for core in cores for value in _tables_in_ram(core)}):
        users = [core for core in cores if table in _tables_in_ram(core)]
        if not any(core.blind for core in users):
            ways = [[core.load(table + 4 * at, 4) for at in range(count)] for core in users]
            yield table, tuple(each[0] if len(set(each)) == 1 else None for each in zip(*ways, strict=True))


def _tables_in_ram(core: FollowedCore) -> set[int]:
    values = {store.value for store in core.stores if store.target == VTOR}
    return {value for value in values if value is not None and core.byte_at(value) is None}


def _vectors(core: FollowedCore, table: int) -> list[object]:
    return [core.words.get(table + 4 * at, 0) for at in range(SYSTEM_WORDS)]


def _is_blank(core: FollowedCore, table: int) -> bool:
    return not core.blind and all(word == 0 for word in _vectors(core, table))


def _has_handler(core: FollowedCore, table: int) -> bool:
    return any(core.leads_to_code(word) for word in _vectors(core, table))


def _written(
    cores: list[FollowedCore], byte_at: Callable[[int], int | None], expected: tuple[WrittenBytes, ...] = ()
) -> set[tuple[int, int, int]]:
    """Address, size and origin of what was written on any way, without patterns that memory is filled with.

    What is expected to be copied is kept, such as an initial value that a constructor then puts into an array.
    """
    entries = {entry for core in cores for entry in core.written()}
    times = Counter([(at - origin, size) for at, size, origin in entries if origin < ZERO])
    patterns = {
        (source, size)
        for (source, size), count in times.items()
        if count > MAX_COPIES and any(byte_at(source + each) for each in range(size))
    }
    due = {(each.span.start - each.source, each.span) for each in expected if each.source is not None}
    return {
        (at, size, origin)
        for at, size, origin in entries
        if (at - origin, size) not in patterns or any(origin == far and span.holds(at) for far, span in due)
    }


def _joined(written: Iterable[tuple[int, int, int]]) -> tuple[Span, ...]:
    """What was copied or cleared, neighbours as one."""
    found: list[list[int]] = []
    for at, size in sorted((at, size) for at, size, origin in written if origin <= ZERO):
        if found and at <= found[-1][1]:
            found[-1][1] = max(found[-1][1], at + size)
        else:
            found.append([at, at + size])
    return tuple(Span.from_bounds(start, end) for start, end in found)


def _copies(written: Iterable[tuple[int, int, int]]) -> tuple[WrittenBytes, ...]:
    """The copies of neighbours by the same distance, each as one."""
    found: list[WrittenBytes] = []
    for distance, at, size in sorted((origin, at, size) for at, size, origin in written if origin < ZERO):
        last = found[-1] if found else None
        if last and last.source == last.span.start - distance and at <= last.span.end:
            found[-1] = WrittenBytes(
                last.source, Span.from_bounds(last.span.start, max(last.span.end, at + size))
            )
        else:
            found.append(WrittenBytes(at - distance, Span(at, size)))
    return tuple(found)


def _zeroed(
    run: _Run,
    ways: list[FollowedCore],
    expected: tuple[WrittenBytes, ...],
    byte_at: Callable[[int], int | None],
) -> Iterator[Span]:
    """What of the copied blocks is cleared at ``main``: words in a row, not all of which are stored as zero.

    Where ``main`` is not known, code after the start may clear data of its own, and only what all ways clear along with
    what follows a block counts.
    """
    for source, span in expected:
        if source is None:
            continue
        cores = run.arrived[:1] or (ways if all(each.is_cleared(span.end + 3 & ~3) for each in ways) else [])
        places = range(span.start, span.end - 3, 4) if cores else ()
        cleared = [Span(at, 4) for at in places if all(each.is_cleared(at) for each in cores)]
        for found in merge(cleared):
            stored = range(source + found.start - span.start, source + found.end - span.start)
            least = min(LEAST_ZEROED, span.size & ~3) if run.arrived else LEAST_ZEROED
            reaches = run.arrived or found.end + 4 > span.end
            if found.size >= least and reaches and any(map(byte_at, stored)):
                yield found


def _overrun(cores: list[FollowedCore], expected: tuple[WrittenBytes, ...]) -> Iterator[Span]:
    """The words after each copied block that each core finds copied on from its source, and that were to be cleared."""
    cleared = [span for source, span in expected if source is None]
    for source, span in expected:
        first = end = span.end + 3 & ~3
        while source is not None and any(each.holds(end) for each in cleared):
            words = [core.words.get(end) for core in cores]
            if not words or any(_is_other(word, end - span.start + source) for word in words):
                break
            end += 4
        if end > first:
            yield Span.from_bounds(span.end, end)


def _is_other(word: object, source: int) -> bool:
    """Whether a word is zero, or not one that was loaded from there."""
    return type(word) is not Loaded or not word or word.source != source


class _Run:
    """All ways through the code from one place."""

    def __init__(self, stops: frozenset[int], expected: tuple[WrittenBytes, ...] | None) -> None:
        self.stops = stops
        self._expected = expected
        self.instructions: dict[int, Entry] = {}
        """The instructions that were looked at, without those that the code itself wrote."""
        self._signatures: dict[object, int] = {}
        self._turns: dict[int, int] = {}
        self._gone: set[tuple[int, bool]] = set()
        self._tried: Counter[int] = Counter()
        self._ways_tried: Counter[tuple[int, bool]] = Counter()
        self.pending: list[FollowedCore] = []
        self.steps = 0
        self._idle: FollowedCore | None = None
        self._is_done = False
        self.ended: list[FollowedCore] = []
        self.arrived: list[FollowedCore] = []
        self.rests: dict[End, None] = {}
        self.blank_at_rest: set[int] = set()
        self.reached: set[Span] = set()
        self.why_not = ""

    def go_all(self, core: FollowedCore, limit: int) -> None:
        """Go each way there is, up to so many instructions together."""
        self.pending, self.steps = [core], limit
        while self.pending and self.steps > 0:
            core = self.pending.pop()
            if core not in self.ended:
                self.ended.append(core)
            try:
                if self._go(core):
                    self.pending.insert(0, core)
            except Stop as stop:
                core.is_stopped = True
                if stop.blind:
                    core.blind = core.blind or f"{stop} at {core.pc:#010x}"
            if core.blind:
                self._note(core.blind)
        if self.steps <= 0 and not self._is_done:
            self._note("more instructions than are followed")

    def _give_up(self, reason: str) -> None:
        self._note(reason)
        self.steps = 0
        raise Stop(reason)

    def _note(self, reason: str) -> None:
        self.why_not = self.why_not or reason

    def _go(self, core: FollowedCore) -> bool:
        """Go one way to its end, or to where others are first: it turns round in a loop that counts in memory."""
        entries, stops = self.instructions, self.stops
        left, last, news, reached = IDLE_STEPS, core.changes, len(entries), len(core.words)
        self._idle = None
        while True:
            pc = core.pc
            if pc in stops:
                self.arrived.append(core)
                return False
            entry = entries.get(pc) or self._decoded(core, pc)
            left -= 1
            if not left:
                self.steps -= max(IDLE_STEPS, core.changes - last)
                if not self._is_done and self._expected is not None and core.has_written(self._expected):
                    self._is_done, self.steps = True, min(self.steps, STEPS_DONE)
                if self.steps <= 0:
                    return False
                idle = last == core.changes and news == len(entries)
                if idle and self._idle:
                    return False
                if self.pending and not idle and (news, reached) == (len(entries), len(core.words)):
                    return True
                left, last, news, reached = IDLE_STEPS, core.changes, len(entries), len(core.words)
                self._idle = core.copy() if idle else None
                if not idle and self._tried[pc] < TRIES_LIMIT:
                    if goes_through_plain_loop(core, self._entry):
                        continue
                    self._tried[pc] += 1
            size, operation, branch = entry
            if core.conditions:
                condition = core.conditions.pop(0)
                if not self._decided(core, core.holds(condition), condition, in_block=True):
                    core.pc = pc + size
                    continue
                core.in_block = True
            if branch:
                what, zero, target = branch
                if operation is None:
                    known = core.holds(what)
                else:
                    value = core.registers[what]
                    known = None if value is None else (value == 0) == zero
                taken = self._decided(core, known, what if operation is None else None)
                if known is None:
                    self._learn(core, branch, operation is None, taken)
                core.pc = target if taken else pc + size
            else:
                led = operation(core) if operation else None
                core.pc = pc + size if led is None else led
            if core.in_block:
                core.in_block = False

    def _learn(self, core: FollowedCore, branch: tuple[int, bool, int], of_flags: bool, taken: bool) -> None:
        """A register that is known on this way alone: that a CBZ tests, or that set Z, or was compared, just before."""
        what, zero, _ = branch
        if not of_flags:
            if taken == zero:
                core.registers[what] = 0
        elif what in (EQ, NE) and taken == (what == EQ) and core.if_zero:
            at, register, value = core.if_zero
            if at + self.instructions.get(at, (0,))[0] == core.pc:
                core.registers[register] = value

    def _decided(
        self, core: FollowedCore, known: bool | None, condition: int | None, *, in_block: bool = False
    ) -> bool:
        """Which way to go at a condition, which holds from then on or not; if it is not known, the other way later.

        The condition of flags is None for a branch that tests a register.
        """
        taken = self._way(core, known, [condition] if in_block and condition is not None else [])
        if condition is not None and taken != known:
            core.assume(condition, holds=taken)
        return taken

    def _way(self, core: FollowedCore, known: bool | None, block: list[int]) -> bool:
        pc = core.pc
        if core.goes is not None:
            known, core.goes = core.goes, None
            return known
        if known is not None:
            if self._idle and (pc, not known) not in self._gone:
                self.rests[End(pc, core.table)] = None
                self.blank_at_rest |= {value for value in _tables_in_ram(core) if _is_blank(core, value)}
                core.forget_changes(self._idle)
                self._idle, known = None, not known
            self._gone.add((pc, known))
            return known
        signature = pc, tuple(core.registers), core.version, core.changes
        if gone := self._signatures.get(signature, 0):
            self._signatures[signature] = 3
            if gone == 3:
                raise Stop("the same as on another way")
            return gone == 1
        turn = self._turns[pc] = self._turns.get(pc, -1) + 1
        if turn and not core.conditions and not core.in_block:
            self._see_reach(core)
        if not turn and len(self._turns) > WAYS_LIMIT:
            self._give_up("more conditions that are not known than are followed")
        if not turn:
            self.steps -= (len(core.words_written) + len(core.bytes_written)) // 4
            other = core.copy()
            other.conditions[:0] = block
            other.goes = True
            self.pending.insert(0, other)
        self._signatures[signature] = 3 if not turn else 1 + turn % 2
        return bool(turn & 1)

    def _see_reach(self, core: FollowedCore) -> None:
        """Where loops may store that go on at a branch of which that is not known."""
        for goes in (True, False):
            way = core.pc, goes
            if self._ways_tried[way] < TRIES_LIMIT:
                try:
                    reached = reach_of_loop(core, self._looked_at, goes=goes)
                except Stop:
                    self._ways_tried[way] += 1
                else:
                    self._ways_tried[way] += any(each.covers(reached) for each in self.reached)
                    self.reached.add(reached)

    def _looked_at(self, core: FollowedCore, pc: int) -> Entry:
        """An instruction of a way that may not be gone."""
        entry = self.instructions.get(pc)
        if entry is None:
            entry = self._decoded(core, pc)
            self.instructions.pop(pc, None)
        return entry

    def _entry(self, core: FollowedCore, pc: int) -> Entry:
        return self.instructions.get(pc) or self._decoded(core, pc)

    def _decoded(self, core: FollowedCore, pc: int) -> Entry:
        first = core.load(pc, 2)
        second = core.load(pc + 2, 2) if first is not None and first >= FIRST_WIDE else 0
        if first is None or second is None:
            raise Stop("a branch to where no code is stored", blind=True)
        if len(self.instructions) >= CODE_LIMIT:
            self._give_up("more code than is followed")
        entry = 4 if first >= FIRST_WIDE else 2, *_split(pc, first, second)
        if pc & ~3 not in core.words:
            self.instructions[pc] = entry
        return entry


def _split(pc: int, first: int, second: int) -> tuple[Operation | None, tuple[int, bool, int] | None]:
    """The operation of an instruction, or the condition of a branch and where it leads."""
    distance = branch_distance(first, second)
    if distance is not None and first & 0xF500 == 0xB100:
        return _never, (first & 7, not first & 0x800, pc + 4 + distance)
    narrow = first & 0xF000 == 0xD000
    if distance is not None and (narrow or (first >= FIRST_WIDE and second & 0xD000 == 0x8000)):
        return None, (first >> 8 & 15 if narrow else first >> 6 & 15, False, pc + 4 + distance)
    return operation_of(pc, first, second), None


def _never(_: FollowedCore) -> None:
    """In the place of an operation: the branch tests a register."""
