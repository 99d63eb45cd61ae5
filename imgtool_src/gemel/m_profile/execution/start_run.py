"""Start-up code run from the reset handler on, on the ways that it may go where a condition is not known.

What devices answer is not known.  Where code asks them, both ways are gone, each once; a loop that waits is left, and
one that counts is left for last.
A way ends at ``main``, or where it goes round without doing anything new.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator

from gemel.m_profile.code.known_registers import VTOR, KnownStore
from gemel.m_profile.execution.start_ways import (
    MAX_STEPS,
    STEPS_AFTER,
    STEPS_DONE,
    SYSTEM_WORDS,
    End,
    StartWays,
    is_blank,
    system_vectors,
    tables_in_ram,
)
from gemel.m_profile.execution.values import (
    UNKNOWN,
    ZERO,
    AnsweredCore,
    FollowedCore,
    Loaded,
    WatchedWrite,
    WrittenBytes,
)
from gemel.spans import Span, merge, without
from gemel.structs import NamedTuple

MAX_COPIES = 4
"""Places that one word is copied to: more are a pattern that memory is filled with."""


MAX_WAYS_COMPARED = 16
"""Ways of which it is looked at what all of them clear: of more, nothing is said."""


MIN_ZEROED = 16
"""Bytes of copied data that are cleared: fewer are variables that code sets."""


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
    ``main``, of which one came there and none was left for its length where ``is_whole``; of code whose ``main`` is not
    known they are all, where each way came to its end (``has_ended``).  ``always`` is what each
    way to ``main`` clears, ``stacks`` the addresses of instructions by which each sets a stack pointer, which
    one (as MSR has it), and what to.  ``jumps`` are branches: where they are, and where their stack pointer and target
    were loaded from.  ``perhaps`` is what may be cleared or copied: it gets values that are not known, or a loop whose
    end is not known may reach it.  ``tables`` are those in RAM with their words as all ways leave them that set VTOR to
    one (None where they differ or that is not known); ``not_stored`` is what of the code's part of memory is loaded and
    not stored.  ``overrun`` are the words after copied blocks that copies of these have left in what is to be cleared.
    ``held`` are the words of RAM that are not 0 on all ways with a watched write, at
    that write, ``filled`` those that any way had written by its last such write, each with whether as 0; ``asked``
    those of which nothing was known when they were loaded, ``called_by`` those of them by which a way then called that
    had not lost anything yet.  ``deepest`` is the lowest address to which the main stack grows on each way, in ``main``
    too where a way comes there; 0 where a way goes on with another stack.
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
    has_ended: bool = False
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
    deepest: int = 0
    called_by: frozenset[int] = frozenset()


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
    ram: tuple[Span, ...] = (),
) -> StartRun:
    """Run code from ``reset`` on; ``byte_at`` gives what is stored for an address, as the core sees it at reset.

    ``expected`` is all that is to be copied and (without a source) cleared: where that is done, little is left to see,
    unless the code ``goes_on`` into other code.  With an ``answer``, what is not known reads as that.
    ``vectors`` is what VTOR holds at reset, ``table_words`` the words of a vector table; ``watched`` are the writes
    at which it is noted what RAM holds; ``ram`` is what the device has of it.
    """
    run = StartWays(frozenset() if main is None else frozenset((main & ~1,)), expected)
    core = (FollowedCore if answer is None else AnsweredCore)(byte_at, reset & ~1, stack)
    if isinstance(core, AnsweredCore):
        core.answer = answer or 0
    if vectors is not None:
        core.words[VTOR] = vectors
    core.watched, core.ram = watched, ram
    run.go_all(core, MAX_STEPS)
    before = _written(run.ended, byte_at, expected or ())
    return _seen(run, _gone_on(run, expected, goes_on), before, byte_at, expected or (), table_words)


def _gone_on(run: StartWays, expected: tuple[WrittenBytes, ...] | None, goes_on: bool) -> StartWays:
    """The ways from ``main`` on, of the first one that came there; none where none did."""
    then = StartWays(frozenset(), None)
    for each in run.arrived[:1]:
        done = not goes_on and expected is not None and each.has_written(expected)
        then.go_all(each.copy(), STEPS_DONE if done else STEPS_AFTER)
        if done and _blank_tables(then.ended, then.blank_at_rest):
            then.go_all(each.copy(), STEPS_AFTER)
    return then


def _seen(
    run: StartWays,
    then: StartWays,
    before: set[tuple[int, int, int]],
    byte_at: Callable[[int], int | None],
    expected: tuple[WrittenBytes, ...],
    table_words: int,
) -> StartRun:
    """What the ways did up to ``main``, where they wrote ``before``, and ``then``."""
    cores, after = run.ended + then.ended, _written(then.ended, byte_at) - before
    ends = [core for core in cores if core not in run.arrived]
    ways = (run.arrived or [core for core in run.ended if not core.is_stopped] or run.ended) + run.pending
    for each in cores:
        for store in each.stores:
            if store.value is not None and store.value & ~3 in each.words:
                each.describe(store.target, store.value)
    perhaps = [Span(at, size) for at, size, origin in before if origin == UNKNOWN]
    cleared_after = _joined(each for each in after if each[2] == ZERO)
    left = {End(core.pc, None if core.is_stopped else core.table): None for core in ends}
    stacks, always = ways[0].stacks if ways else (), _cleared_by_each(ways)
    return StartRun(
        run.why_not,
        written=_joined(before),
        copies=_copies(before),
        later=(*_copies(after), *(WrittenBytes(None, span) for span in cleared_after)),
        zeroed=tuple(_zeroed(run, ways, always, expected, byte_at)),
        stores=tuple({store: None for each in cores for store in each.stores}),
        enables_float=any(each.enabled for each in cores),
        float_at=next((each.float_at for each in cores if each.float_at is not None), None),
        blank_tables=_blank_tables(cores, run.blank_at_rest | then.blank_at_rest),
        ends=tuple(left | run.rests | then.rests),
        overwritten=tuple(merge(Span(at, size) for at, size, _ in before | after if byte_at(at) is not None)),
        read=frozenset(cores[0].read) if cores else frozenset(),
        described=frozenset(cores[0].described) if cores else frozenset(),
        gone=frozenset(run.instructions),
        is_whole=bool(run.arrived) and run.steps > 0,
        has_ended=not run.stops and not run.is_cut,
        always=always,
        stacks=tuple(each for each in stacks if all(each in core.stacks for core in ways)),
        jumps=frozenset(each for core in cores for each in core.jumps),
        perhaps=tuple(merge([*run.reached, *perhaps])),
        tables=tuple(_words_of_tables(cores, table_words)),
        not_stored=frozenset(cores[0].not_stored) if cores else frozenset(),
        overrun=() if run.why_not else tuple(_overrun(ways, expected)),
        held=frozenset(_held(cores)),
        asked=frozenset(cores[0].asked) if cores else frozenset(),
        filled=frozenset(
            (each, *word) for core in cores for each in core.written_at for word in core.written_at[each]
        ),
        deepest=_deepest(then.ended or run.ended),
        called_by=frozenset(cores[0].called_by) if cores else frozenset(),
    )


def _deepest(cores: list[FollowedCore]) -> int:
    found = [core.deepest for core in cores]
    return max(found) if found and all(found) else 0


def _held(cores: list[FollowedCore]) -> Iterator[tuple[WatchedWrite, int]]:
    """Each watched write with the words that RAM holds, not as 0, at it on all ways that come to it."""
    for each in cores[0].watched if cores else ():
        if held := [core.held[each] for core in cores if each in core.held]:
            yield from ((each, at) for at in frozenset.intersection(*held))


def _cleared_by_each(cores: list[FollowedCore]) -> tuple[Span, ...]:
    """What all of these ways clear, the rest of which some may not have been gone."""
    if len(cores) > MAX_WAYS_COMPARED:
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
        for value in tables_in_ram(core):
            users.setdefault(value, []).append(core)
    blank = {value for value, those in users.items() if all(is_blank(core, value) for core in those)}
    blank |= {value for value in at_rest if not any(_has_handler(core, value) for core in cores)}
    return frozenset(blank)


def _words_of_tables(cores: list[FollowedCore], count: int) -> Iterator[tuple[int, tuple[int | None, ...]]]:
    """Each table in RAM with its words as ways leave them that show all they write; none where one of them does not."""
    for table in sorted({value for core in cores for value in tables_in_ram(core)}):
        users = [core for core in cores if table in tables_in_ram(core)]
        if not any(core.blind for core in users):
            ways = [[core.load(table + 4 * at, 4) for at in range(count)] for core in users]
            yield table, tuple(each[0] if len(set(each)) == 1 else None for each in zip(*ways, strict=True))


def _has_handler(core: FollowedCore, table: int) -> bool:
    return any(core.leads_to_code(word) for word in system_vectors(core, table))


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
    run: StartWays,
    ways: list[FollowedCore],
    always: tuple[Span, ...],
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
        cores = run.arrived[:1] or ways
        follows = span.end + 3 & ~3
        along = [span] if run.arrived else [each.intersection(span) for each in always if each.holds(follows)]
        places = [at for each in along for at in range(each.start, each.end - 3, 4) if cores]
        cleared = [Span(at, 4) for at in places if all(each.is_cleared(at) for each in cores)]
        for found in merge(cleared):
            stored = range(source + found.start - span.start, source + found.end - span.start)
            least = min(MIN_ZEROED, span.size & ~3) if run.arrived else MIN_ZEROED
            if found.size >= least and any(map(byte_at, stored)):
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
