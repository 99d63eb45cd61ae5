"""Blocks of start-up code by the names of their labels, as linker scripts have them (common practice, from memory).

A label's name has words for the block (``data``, ``fast_data``, ``bss``) and for its part in it: where the block is
stored, where it starts at run time, where it ends there, or its size: ``_sidata``, ``_sdata``, ``_edata``;
``__data_load__``, ``__data_start__``, ``__data_end__``; ``__bss_start``, ``__bss_size``; ``fast_lma``, ``fast_beg``,
``fast_lim``.  Labels belong to one block where the rest of their names is the same and begins alike.

Tables have a word for that and one for what their entries are: ``__copy_table_start__``, ``__data_section_table``,
``__bss_section_table_end``, ``__bss_regions_array_begin__``; their start may go without a word of its own.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Literal

from gemel.builds.build import Build
from gemel.builds.elf.symbol_entries import Symbol
from gemel.spans import Span
from gemel.structs import NamedTuple

LabelRole = Literal["source", "start", "end", "size"]

_WORD = re.compile(r"[A-Z]?[a-z]+|[A-Z]+|[0-9]+")
_SHORT: dict[str, LabelRole] = {"si": "source", "s": "start", "e": "end"}
_JOINED = {short + block: (part, block) for short, part in _SHORT.items() for block in ("data", "bss")}
_WORDS: dict[str, LabelRole] = {
    **dict.fromkeys(("load", "lma", "src", "source", "rom", "flash", "stored"), "source"),
    **dict.fromkeys(("start", "begin", "beg", "vma", "ram", "dest", "dst"), "start"),
    **dict.fromkeys(("end", "limit", "lim", "stop"), "end"),
    "size": "size",
}
_DATA = ("data",)
_CLEARED = ("bss", "zi")
_TABLE = frozenset(("table", "tables", "tbl", "tab", "array"))
_IN_TABLE = ("tab", "tbl", "array")
_COPIED_TABLE, _CLEARED_TABLE = frozenset(("copy", "data")), frozenset(("zero", "clear", *_CLEARED))
_LIKELY = (*_WORDS, "tab", "tbl", "data", "bss", "etext")
END_OF_CODE = ("__etext", "_etext", "etext")
"""Where code ends, which is where data is stored unless another label says where that is."""


class _Family(NamedTuple):
    """What the labels of one block have in common: words, leading underscores, and whether in one word."""

    words: tuple[str, ...]
    underscores: int
    joined: bool


class Named(NamedTuple):
    """One block by its labels: where it is stored (None: cleared), where it starts and ends, and their names.

    ``is_data``: by its name it is initialised data.  Others may be regions that nobody copies.
    """

    source: int | None
    start: int
    end: int
    names: tuple[str, ...]
    is_data: bool


class StartNames(NamedTuple):
    """What labels of a build say of its start-up code: blocks that they describe whole, and its tables.

    A table is the label at its start and the bytes up to that at its end.
    """

    copied: list[Named]
    cleared: list[Named]
    copy_tables: list[tuple[str, Span]]
    clear_tables: list[tuple[str, Span]]


def start_names(build: Build) -> StartNames:
    """The blocks and tables by the names of the build's labels."""
    labels = [each for each in (build.symbols.labels if build.symbols else ()) if _has(each.name, _LIKELY)]
    tables = [each for each in labels if _has(each.name, _IN_TABLE)]
    return StartNames(
        *_named_blocks(labels), _named_tables(tables, _COPIED_TABLE), _named_tables(tables, _CLEARED_TABLE)
    )


def _has(name: str, words: tuple[str, ...]) -> bool:
    """Whether one of ``words`` is anywhere in the name."""
    small = name.lower()
    return any(word in small for word in words)


def _named_blocks(labels: list[Symbol]) -> tuple[list[Named], list[Named]]:
    families: dict[_Family, dict[LabelRole, Symbol]] = {}
    for symbol in labels:
        if read := _read(symbol.name):
            part, family = read
            known = families.setdefault(family, {}).setdefault(part, symbol)
            if known.value != symbol.value:
                families[family][part] = min(known, symbol, key=lambda each: len(each.name))
    copied: list[Named] = []
    cleared: list[Named] = []
    of_data = [parts for family, parts in families.items() if family.words == _DATA]
    if not any("source" in parts for parts in of_data):
        for code in [symbol for name in END_OF_CODE for symbol in labels if symbol.name == name][:1]:
            for parts in of_data:
                parts["source"] = code
    for family, parts in families.items():
        is_cleared = not {*family.words}.isdisjoint(_CLEARED)
        for block in _block(parts, family.words == _DATA):
            if not is_cleared and block.source is not None:
                copied.append(block)
            elif is_cleared and block.source is None:
                cleared.append(block)
    return copied, cleared


def _named_tables(labels: list[Symbol], of: frozenset[str]) -> list[tuple[str, Span]]:
    found: dict[_Family, dict[LabelRole, Symbol]] = {}
    for symbol in labels:
        plain = symbol.name.lstrip("_")
        words = [word.lower() for word in _WORD.findall(plain)]
        part: LabelRole = next((_WORDS[word] for word in words if word in _WORDS), "start")
        block = tuple(word for word in words if word not in _WORDS)
        if not _TABLE.isdisjoint(block) and not of.isdisjoint(block):
            family = _Family(block, len(symbol.name) - len(plain), False)
            found.setdefault(family, {}).setdefault(part, symbol)
    return [
        (parts["start"].name, Span(parts["start"].value, max(0, parts["end"].value - parts["start"].value)))
        for parts in found.values()
        if "start" in parts and "end" in parts
    ]


def _read(name: str) -> tuple[LabelRole, _Family] | None:
    """The part that a label plays and what it has in common with the others of its block; None if it is of none."""
    plain = name.lstrip("_")
    words = [word.lower() for word in _WORD.findall(plain)]
    joined = _JOINED.get(words[0]) if words else None
    if joined:
        part_of_word, words[0] = joined
        parts: set[LabelRole] = {part_of_word}
    else:
        parts = {_WORDS[word] for word in words if word in _WORDS}
    block = tuple(word for word in words if word not in _WORDS)
    if not block or not parts or not _TABLE.isdisjoint(block):
        return None
    part = next((each for each in parts if len(parts) == 1), None)
    if parts == {"source", "start"}:
        part = "source"
    return (part, _Family(block, len(name) - len(plain), bool(joined))) if part else None


def block_of(name: str) -> tuple[object, ...] | None:
    """What the labels of one block have in common, by the name of one; None if it has no word for a part."""
    read = _read(name)
    return read and read[1]


def _block(parts: dict[LabelRole, Symbol], is_data: bool) -> Iterator[Named]:
    """The block up to its end, and the one by its size where that reaches further, or over the last address."""
    start, end, size, source = (parts.get(part) for part in ("start", "end", "size", "source"))
    if start is None:
        return
    lasts = [(end, end.value)] if end else []
    if size:
        until = (start.value + size.value) & 0xFFFF_FFFF
        if end is None or until > end.value or until < start.value <= end.value:
            lasts.append((size, until))
    for last, until in lasts:
        names = tuple(each.name for each in (source, start, last) if each)
        yield Named(source.value if source else None, start.value, until, names, is_data)


_END_WORDS = ("end", "limit", "stop", "top")
"""What names of labels at the end of a block have in them (common practice); others begin as ``_edata`` does."""


def is_end(name: str) -> bool:
    """Whether a label is named for an end."""
    small = name.lower()
    begin = small.lstrip("_")
    return any(word in small for word in _END_WORDS) or (begin[:1] == "e" and "a" <= begin[1:2] <= "z")
