"""What the start-up code of a build copies and clears, as far as its usual symbols show.

Two forms are in use: tables in flash, of three words for a copy and two for a block that is cleared::

    __copy_table_start__   source, destination, size    ...   __copy_table_end__
    __zero_table_start__   destination, size            ...   __zero_table_end__

and symbols at the ends of one block.  Both are known by the words in their names (``names``); what has other
names shows where the start-up code is run.  Sizes in tables are words in newer start-up code and bytes in older, and
some have the end there; the segments and sections of the build show which.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import Literal

from gemel.builds.build import Build
from gemel.inspection.code.address_users import holds, one_holds
from gemel.inspection.start_up.names import Named, StartNames, start_names
from gemel.spans import Span
from gemel.structs import NamedTuple

MAX_ENTRIES = 256
"""Entries of one table that are read."""


class StartEntry(NamedTuple):
    """One block that start-up code copies from ``source``, or clears (None); as its core sees it.

    ``end`` is the first address after the destination; below ``start`` where the build has it so.
    """

    source: int | None
    start: int
    end: int
    named_by: str

    @property
    def span(self) -> Span:
        """The destination; empty where it ends before it starts."""
        return Span(self.start, max(0, self.end - self.start))


class StartBlocks(NamedTuple):
    """What start-up code of a build copies and clears, and the blocks whose symbols no code of it uses.

    ``states_copies``: it has the labels of a copy table or of copied data, be they empty; ``states_clears`` the same
    of what is cleared.  ``written`` is all that the code clears or copies before ``main``, None where that is
    not known.  ``clear_tables`` are the tables of what is cleared that code uses: the label at the start, and the
    addresses in entries.
    """

    copies: list[StartEntry]
    clears: list[StartEntry]
    unused: list[StartEntry]
    states_copies: bool = False
    states_clears: bool = False
    written: tuple[Span, ...] | None = None
    clear_tables: tuple[tuple[str, frozenset[int]], ...] = ()


def start_blocks(build: Build) -> StartBlocks:
    """The blocks of a build, entries of tables first, then those by symbols that these leave out.

    A linker script has its symbols whether code uses them or not.  A block counts as unused where code holds the
    address that only its own loop needs of the other block, but none such of this one.  One that ends before it starts
    is used unless another one with the same start is.
    """
    names = start_names(build)
    named = [each for each in names.copied if each.is_data or _copies(build, each)]
    copies = _each_once([*_entries(build, names, cleared=False), *map(_by_symbols, named)])
    clears = _each_once([*_entries(build, names, cleared=True), *map(_by_symbols, names.cleared)])
    by_symbols = [entry for entry in (*copies, *clears) if entry.named_by.startswith(BY_SYMBOLS)]
    used = {entry for entry in by_symbols if _is_used(build, entry)}
    starts = {entry.start for entry in used}
    used |= {entry for entry in by_symbols if _is_backwards(entry) and entry.start not in starts}
    unused = [entry for entry in by_symbols if entry not in used] if used else []
    rows = dict(_tables(build, names, cleared=True))
    return StartBlocks(
        [entry for entry in copies if entry not in unused],
        [entry for entry in clears if entry not in unused],
        unused,
        states_copies=any(each.is_data for each in names.copied) or bool(names.copy_tables),
        states_clears=bool(names.cleared or names.clear_tables),
        clear_tables=tuple(
            (name, frozenset(row[0] for row in rows.get(name, ())))
            for name, span in names.clear_tables
            if holds(build, span.start)
        ),
    )


def _is_used(build: Build, entry: StartEntry) -> bool:
    """Whether a function holds where the block is stored and starts, or any code where what is cleared ends."""
    if entry.source is not None:
        return one_holds(build, entry.source, entry.start)
    return holds(build, entry.end) or holds(build, (entry.end - entry.start) & 0xFFFF_FFFF)


def _is_backwards(entry: StartEntry) -> bool:
    """Whether what is cleared ends before it starts: code that takes its ends from elsewhere would not do so."""
    return entry.source is None and entry.end < entry.start


BY_SYMBOLS = "symbols "


def _copies(build: Build, block: Named) -> bool:
    return block.source is not None and one_holds(build, block.source, block.start)


def _by_symbols(block: Named) -> StartEntry:
    *names, last = block.names
    return StartEntry(block.source, block.start, block.end, f"{BY_SYMBOLS}{', '.join(names)} and {last}")


def _each_once(entries: list[StartEntry]) -> list[StartEntry]:
    """Without empty blocks and without those that an earlier entry covers."""
    kept: list[StartEntry] = []
    for entry in entries:
        known = any((each.start, each.end) == (entry.start, entry.end) for each in kept) or (
            entry.span.size and any(each.span.covers(entry.span) for each in kept)
        )
        if entry.start != entry.end and not known:
            kept.append(entry)
    return kept


def _entries(build: Build, names: StartNames, *, cleared: bool) -> Iterator[StartEntry]:
    unit: _Unit | None = None
    for name, rows in _tables(build, names, cleared=cleared):
        unit = _unit(build, names) if unit is None else unit
        for number, row in enumerate(rows):
            source = None if cleared else row[0]
            end = row[-2] + _size(row, unit)
            yield StartEntry(source, row[-2], end, f"entry {number} of the table at {name}")


_Unit = Literal[1, 4, 0]
"""Bytes that the last word of an entry counts; 0 where it is the end of the block."""

_FAR = 1 << 28
"""No block is so large, and no RAM that is described in tables begins lower (common practice)."""


def _size(row: tuple[int, ...], unit: _Unit) -> int:
    return row[-1] * unit if unit else row[-1] - row[-2]


def _tables(build: Build, names: StartNames, *, cleared: bool) -> Iterator[tuple[str, list[tuple[int, ...]]]]:
    """The rows of each table that the file stores, with the name of its first label."""
    words = 2 if cleared else 3
    for name, span in names.clear_tables if cleared else names.copy_tables:
        count = min(MAX_ENTRIES, span.size // (4 * words))
        data = build.read_at_run(span.start, 4 * words * count) if count else None
        if data:
            yield name, list(struct.iter_unpack(f"<{words}I", data))


def _unit(build: Build, names: StartNames) -> _Unit:
    """What the last words of the tables are: what makes more blocks end as a section or segment does.

    A size in words is rounded up, so that the block may reach up to 3 bytes further.
    """
    rows = [
        row for cleared in (False, True) for _, rows in _tables(build, names, cleared=cleared) for row in rows
    ]
    if rows and all(row[-2] >= _FAR and 0 <= row[-1] - row[-2] < _FAR for row in rows):
        return 0
    ends: dict[int, set[int]] = {}
    for segment in build.segments:
        ends.setdefault(segment.run_address, set()).update((len(segment.data), segment.memory_size))
    for section in build.all_sections:
        if section.allocated:
            ends.setdefault(section.span.start, set()).add(section.span.size)
    units: tuple[_Unit, ...] = (1, 4, 0)
    fitting = {
        unit: sum(
            any(0 <= _size(row, unit) - known < 4 for known in ends.get(row[-2], ()))
            for row in rows
            if row[-1]
        )
        for unit in units
    }
    return max(units, key=lambda unit: fitting[unit])
