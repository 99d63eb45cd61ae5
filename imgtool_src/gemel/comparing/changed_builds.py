"""How the sections, functions and objects of a build changed between two ELF files of it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.comparing.changed_bytes import exclusive_or
from gemel.comparing.changes import Moved, SectionChange, SymbolChange, SymbolChangeKind
from gemel.comparing.section_anchors import Anchors
from gemel.comparing.side import PlaceNames, SymbolRow, SymbolSide, paired_symbols
from gemel.m_profile.instructions.halfwords import is_wide
from gemel.spans import Span
from gemel.structs import NamedTuple

_NOT_ZERO = re.compile(rb"[^\0]")

MAX_DIFFERENT = 4096
"""Differing halfwords that are looked at; a symbol with more of them is changed."""


def same_but_for_addresses(old: SymbolSide, new: SymbolSide) -> bool:
    """Whether two symbols of one size differ in nothing but addresses of what has the same name in both builds.

    Looked through: words that point, branches with 32 bits, addresses loaded in two halves, and distances from them.
    """
    bits = exclusive_or(old.data, new.data)
    differing = {run.start() // 2: None for run in _NOT_ZERO.finditer(bits)}
    if len(differing) > MAX_DIFFERENT or (len(bits) % 2 and bits[-1]):
        return False
    anchors = Anchors(old, new)
    return all(_is_address(old, new, index) or anchors.explains(index) for index in differing)


def _is_address(old: SymbolSide, new: SymbolSide, index: int) -> bool:
    if old.word_name(index) & new.word_name(index):
        return True
    for first in (index, index - 1):
        if first >= 0 and is_wide(old.halves[first]) and is_wide(new.halves[first]):
            for name in (SymbolSide.branch_name, SymbolSide.loaded_name):
                if name(old, first) & name(new, first):
                    return True
    return False


class SymbolChanges(NamedTuple):
    """Symbols that differ, groups that only moved, and how many are where and what they were."""

    changed: tuple[SymbolChange, ...]
    moved: tuple[Moved, ...]
    unchanged: int


def why_not_compared(name: str, old: Build | None, new: Build | None) -> str:
    """Why sections and symbols cannot be compared; empty if they can."""
    missing = [
        f"{prefix}{name}=FILE.elf"
        for prefix, build in (("old:", old), ("", new))
        if build is None or build.symbols is None or build.sections is None
    ]
    return f"needs the ELF file: {' and '.join(missing)}" if missing else ""


def section_changes(old: Build, new: Build) -> Iterator[SectionChange]:
    """The allocated sections that were added, removed, moved or have another size or other bytes.

    In the new file's order.
    """
    before, after = _sections(old), _sections(new)
    for name in dict.fromkeys([*after, *before]):
        spans, new_spans = before.get(name, []), after.get(name, [])
        old_size, new_size = (sum(span.size for span in each) for each in (spans, new_spans))
        if name not in before:
            yield SectionChange(name, "added", 0, new_size)
        elif name not in after:
            yield SectionChange(name, "removed", old_size, 0)
        elif old_size != new_size:
            yield SectionChange(name, "changed", old_size, new_size)
        elif spans[0].start != new_spans[0].start:
            yield SectionChange(name, "moved", old_size, new_size)
        elif [old.read_at_run(*span) for span in spans] != [new.read_at_run(*span) for span in new_spans]:
            yield SectionChange(name, "changed", old_size, new_size)


def _sections(build: Build) -> dict[str, list[Span]]:
    """Where each allocated section is that is not empty; several may have one name."""
    found: dict[str, list[Span]] = {}
    for section in build.all_sections:
        if section.allocated and section.span.size:
            found.setdefault(section.name, []).append(section.span)
    return found


def symbol_changes(old: Build, new: Build) -> SymbolChanges:
    """The functions and objects of known size that were added, removed, are of another size or have other bytes."""
    names = PlaceNames(old), PlaceNames(new)
    changes: list[SymbolChange] = []
    distances: Counter[int] = Counter()
    for before, after in paired_symbols(old, new):
        if before is None or after is None:
            changes += [_change(each, "removed", each[1], 0) for each in (before,) if each]
            changes += [_change(each, "added", 0, each[1]) for each in (after,) if each]
            continue
        (start, size, *_), (new_start, new_size, *_) = before, after
        if size != new_size:
            word: SymbolChangeKind = "grown" if new_size > size else "shrunk"
            changes.append(_change(after, word, size, new_size))
        elif not _same(old, start, new, new_start, size, names):
            changes.append(_change(after, "changed", size, size))
        else:
            distances[new_start - start] += 1
    unchanged = distances.pop(0, 0)
    moved = tuple(
        Moved(distance, count)
        for distance, count in sorted(distances.items(), key=lambda each: (-each[1], each[0]))
    )
    order = {"removed": 0, "added": 1, "grown": 2, "shrunk": 3, "changed": 4}
    changes.sort(key=lambda each: (order[each.change], -abs(each.new_size - each.old_size), each.name))
    return SymbolChanges(tuple(changes), moved, unchanged)


def _change(symbol: SymbolRow, word: SymbolChangeKind, old_size: int, new_size: int) -> SymbolChange:
    _, _, kind, name = symbol
    return SymbolChange(name, "function" if kind == "function" else "object", word, old_size, new_size)


def _same(
    old: Build, start: int, new: Build, new_start: int, size: int, names: tuple[PlaceNames, PlaceNames]
) -> bool:
    one, other = old.read_at_run(start, size), new.read_at_run(new_start, size)
    if one is None or other is None or one == other:
        return one == other
    return same_but_for_addresses(
        SymbolSide(one, start, names[0].at), SymbolSide(other, new_start, names[1].at)
    )
