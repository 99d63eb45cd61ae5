"""The symbol table of an ELF file, read when the first symbol is needed."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from gemel.builds.elf.symbol_entries import (
    DOLLAR,
    ENTRY,
    ENTRY_SIZE,
    FUNCTION,
    KINDS,
    OBJECT,
    UNDEFINED,
    Symbol,
    SymbolColumns,
    columns_of,
    name_at,
    symbol_of,
    words_of,
)
from gemel.errors import BuildError, Problem
from gemel.spans import Span, format_address, offsets_of

if TYPE_CHECKING:
    from gemel.builds.elf.symbol_indexes import SymbolsByPlace
    from gemel.builds.source import ByteSource

_BINDING_ORDER = {"global": 0, "weak": 1, "local": 2}
_PLACE_KINDS = (0, OBJECT, FUNCTION, 5)

NEAR_QUESTIONS, NEAR_SYMBOLS = 64, 64
"""Questions for a function that are answered from so many symbols before the address, until all are sorted in."""

Extents = Mapping[int, list[tuple[int, int]]]
"""Address and size of symbols by the number of their section, sorted."""


class SymbolTable:
    """The symbols of one file.

    Nothing is read before the first question, and the string table is read once.  Every method raises
    BuildError if the file became shorter meanwhile.
    """

    __slots__ = (
        "_asked",
        "_by_value",
        "_code",
        "_columns",
        "_extents",
        "_file",
        "_functions",
        "_labels",
        "_loaded",
        "_looked_near",
        "_objects",
        "_source",
        "_strings_at",
        "_table_at",
        "_texts",
    )

    def __init__(
        self,
        source: ByteSource,
        file: str,
        table: tuple[int, int],
        strings: tuple[int, int],
        code_sections: Mapping[int, Span],
    ) -> None:
        """``table`` and ``strings`` are (offset, size) inside the file, checked by the caller.

        ``code_sections`` gives the run span of each section of executable code by its number.
        """
        self._source = source
        self._file = file
        self._table_at = (table[0], table[1] - table[1] % ENTRY_SIZE)
        self._strings_at = strings
        self._code = code_sections
        self._loaded: tuple[bytes, bytes] | None = None
        self._columns: SymbolColumns | None = None
        self._extents: tuple[Extents, Extents] | None = None
        self._functions: SymbolsByPlace | None = None
        self._looked_near = 0
        self._labels: tuple[Symbol, ...] | None = None
        self._objects: SymbolsByPlace | None = None
        self._by_value: tuple[list[int], list[int]] | None = None
        self._texts: set[str] | None = None
        self._asked: dict[frozenset[str], dict[str, Symbol]] = {}

    def __len__(self) -> int:
        return self._table_at[1] // ENTRY_SIZE

    @property
    def code_sections(self) -> Mapping[int, Span]:
        """The run span of each section of executable code by its number; nothing is read for it."""
        return self._code

    def all(self) -> Iterator[Symbol]:
        """Every entry in the order of the file, the empty first one left out."""
        table, strings = self._load()
        for index, entry in enumerate(ENTRY.iter_unpack(table)):
            if index:
                yield symbol_of(entry, strings)

    def places(self) -> Iterator[Symbol]:
        """The defined symbols with names that stand for places: objects, functions, labels, common ones.

        In file order.  Mapping symbols, three of four entries of a large build, are passed over.
        """
        table, strings = self._load()
        for number, *_ in self._place_entries():
            yield symbol_of(ENTRY.unpack_from(table, number * ENTRY_SIZE), strings)

    def place_rows(self) -> Iterator[tuple[int, int, str, str]]:
        """Address without the Thumb bit, size, kind and name of each of `places`: a `Symbol` for each takes longer."""
        strings = self._load()[1]
        for _, name, value, size, tail in self._place_entries():
            kind = tail & 0xF
            yield value & ~1 if kind == FUNCTION else value, size, KINDS[kind], name_at(strings, name)

    def _place_entries(self) -> Iterator[tuple[int, int, int, int, int]]:
        strings = self._load()[1]
        for entry in self._read_columns().rows():
            _, name, _, _, tail = entry
            if (
                tail >> 16 != UNDEFINED
                and tail & 0xF in _PLACE_KINDS
                and strings[name : name + 1] not in (b"", b"\0")
            ):
                yield entry

    @property
    def labels(self) -> tuple[Symbol, ...]:
        """The defined labels without a type, in the order of the file: those of linker scripts and of assembly."""
        if self._labels is None:
            table, strings = self._load()
            self._labels = tuple(
                symbol_of(ENTRY.unpack_from(table, number * ENTRY_SIZE), strings)
                for number, name, _, _, tail in self._read_columns().rows()
                if tail & 0xF == 0
                and tail >> 16 != UNDEFINED
                and 0 < name < len(strings)
                and strings[name] != DOLLAR
            )
        return self._labels

    def named(self, name: str) -> tuple[Symbol, ...]:
        """Every symbol called exactly ``name``, defined or not, in the order of the file.

        An object of C++ in a namespace is found by its name in the source too, ``tide::link``, or ``link`` where no
        other is called so.
        """
        if not name:
            return ()
        table, strings = self._load()
        wanted = _offsets_of(name.encode("utf-8", "surrogatepass") + b"\0", strings)
        if not wanted:
            from gemel.text.mangled import of_namespaces

            for each in of_namespaces(name, strings):
                wanted |= _offsets_of(each.encode() + b"\0", strings)
        if not wanted:
            return ()
        return tuple(
            symbol_of(ENTRY.unpack_from(table, index * ENTRY_SIZE), strings)
            for index, offset in enumerate(_name_offsets(table))
            if offset in wanted
        )

    def beginning(self, start: str) -> tuple[Symbol, ...]:
        """Every symbol whose name begins so, in the order of the file."""
        table, strings = self._load()
        wanted = _offsets_of(start.encode(), strings)
        return tuple(
            symbol_of(ENTRY.unpack_from(table, index * ENTRY_SIZE), strings)
            for index, offset in enumerate(_name_offsets(table) if wanted else ())
            if offset in wanted
        )

    def find(self, name: str) -> Symbol | None:
        """The one defined symbol called ``name``; None if there is none.

        A global one is preferred to a weak one, both to local ones.  Raises BuildError if several of the
        same binding have different values.
        """
        best = _best([symbol for symbol in self.named(name) if symbol.defined])
        if not best:
            return None
        if len({symbol.value for symbol in best}) > 1:
            raise BuildError(
                f"the symbol {name} is not unique",
                where=self._file,
                found=", ".join(_described(symbol) for symbol in best),
                expected="one definition",
                next_step="rename all but one of them, or make the one that is meant global",
            )
        return best[0]

    def among(self, names: frozenset[str]) -> Mapping[str, Symbol]:
        """Those of ``names`` that one defined symbol has, as :meth:`find` chooses it; one pass for all.

        A name that several symbols of the same binding have with different values is left out.
        """
        if names not in self._asked:
            table, strings = self._load()
            if self._texts is None:
                tails = {
                    name_at(strings, at) for at in set(_name_offsets(table)) if strings[at - 1 : at] > b"\0"
                }
                self._texts = {*strings.decode("utf-8", "replace").split("\0"), *tails}
            wanted = {
                offset: name
                for name in names & self._texts
                for offset in _offsets_of(name.encode() + b"\0", strings)
            }
            found: dict[str, list[Symbol]] = {}
            for index, offset in enumerate(_name_offsets(table) if wanted else ()):
                if offset in wanted:
                    symbol = symbol_of(ENTRY.unpack_from(table, index * ENTRY_SIZE), strings)
                    if symbol.defined:
                        found.setdefault(wanted[offset], []).append(symbol)
            chosen = {name: _best(symbols) for name, symbols in found.items()}
            self._asked[names] = {
                name: best[0] for name, best in chosen.items() if len({each.value for each in best}) == 1
            }
        return self._asked[names]

    def one(self, name: str) -> Symbol:
        """The one defined symbol called ``name``; BuildError if there is none or no single one."""
        symbol = self.find(name)
        if symbol is None:
            raise BuildError(self._not_found(name))
        return symbol

    def function_at(self, address: int) -> tuple[Symbol, int] | None:
        """The function whose code holds ``address``, and how many bytes into it that is.

        Bit 0 of ``address`` is ignored.  A function whose size covers the address goes before the
        nearest preceding function or plain label without a size in the same section of code, which reaches to
        the next function.
        """
        address &= ~1
        found = self._function_near(address) if self._functions is None else None
        return self._found(found or self._function_index().at(address), address)

    def object_at(self, address: int) -> tuple[Symbol, int] | None:
        """The object of known size that holds ``address``, and how many bytes into it that is.

        Of several the one that starts last.  The table is gone through once, for all questions.
        """
        return self._found(self._object_index().at(address), address)

    def place_edges(self) -> list[int]:
        """Where the answer of `function_at` or `object_at` may be another than at the address before."""
        return self._function_index().edges + self._object_index().edges

    def _found(self, found: tuple[int, int] | None, address: int) -> tuple[Symbol, int] | None:
        if found is None:
            return None
        table, strings = self._load()
        start, number = found
        return symbol_of(ENTRY.unpack_from(table, number * ENTRY_SIZE), strings), address - start

    def _function_index(self) -> SymbolsByPlace:
        if self._functions is None:
            from gemel.builds.elf.symbol_indexes import functions_of

            self._functions = functions_of(self._load()[1], self._read_columns(), self._code)
        return self._functions

    def _function_near(self, address: int) -> tuple[int, int] | None:
        """What the index would give, of the symbols just before an address alone; None if these do not show it."""
        if self._looked_near >= NEAR_QUESTIONS:
            return None
        self._looked_near += 1
        from gemel.builds.elf.symbol_indexes import functions_of

        columns, (values, order) = self._read_columns(), self._sorted_by_value()
        end = bisect_right(values, address | 1)
        first = max(0, end - NEAR_SYMBOLS)
        near = columns.only(order[first:end])
        found = functions_of(self._load()[1], near, {}).at(address)
        return found if found and (not first or found[0] > values[first]) else None

    def _sorted_by_value(self) -> tuple[list[int], list[int]]:
        """The values of the columns, sorted, and the places in the columns that they are from."""
        if self._by_value is None:
            values = self._read_columns().values
            order = sorted(range(len(values)), key=values.__getitem__)
            self._by_value = [values[place] for place in order], order
        return self._by_value

    def _object_index(self) -> SymbolsByPlace:
        if self._objects is None:
            from gemel.builds.elf.symbol_indexes import objects_of

            self._objects = objects_of(self._read_columns())
        return self._objects

    def objects_in(self, span: Span) -> tuple[Symbol, ...]:
        """The defined objects and labels without a type whose value is in ``span``, in file order."""
        table, strings = self._load()
        values, order = self._sorted_by_value()
        numbers = self._read_columns().numbers
        found = sorted(order[bisect_left(values, span.start) : bisect_left(values, span.end)])
        symbols = [symbol_of(ENTRY.unpack_from(table, numbers[at] * ENTRY_SIZE), strings) for at in found]
        return tuple(each for each in symbols if each.defined and each.kind in ("object", "notype", "common"))

    def mapping(self) -> tuple[Symbol, ...]:
        """The mapping symbols, sorted by address."""
        return tuple(sorted((s for s in self.all() if s.mapping), key=lambda symbol: symbol.value))

    @property
    def marks(self) -> Mapping[int, list[tuple[int, str]]]:
        """Address and name of the mapping symbols of each section by its number, sorted by address."""
        return self._read_columns().marks

    @property
    def extents(self) -> tuple[Extents, Extents]:
        """Where functions are, and where objects are."""
        if self._extents is None:
            columns = self._read_columns()
            of_kind = {kind: defaultdict[int, list[tuple[int, int]]](list) for kind in (FUNCTION, OBJECT)}
            for value, size, tail in zip(columns.values, columns.sizes, columns.tails, strict=True):
                if (kind := tail & 0xF) in of_kind:
                    of_kind[kind][tail >> 16].append((value & ~1, size))
            functions, objects = (
                {section: sorted(found[section]) for section in sorted(found)} for found in of_kind.values()
            )
            self._extents = functions, objects
        return self._extents

    def mark_at(self, section: int, address: int) -> tuple[int, str] | None:
        """The last mapping symbol of a section up to ``address``: where it stands, and its name; None before all.

        The table is gone through once, for all questions.
        """
        marks = self.marks.get(section, [])
        at = bisect_right(marks, address, key=lambda mark: mark[0]) - 1
        return marks[at] if at >= 0 else None

    def _load(self) -> tuple[bytes, bytes]:
        if self._loaded is None:
            self._loaded = (self._source.read(*self._table_at), self._source.read(*self._strings_at))
        return self._loaded

    def _read_columns(self) -> SymbolColumns:
        if self._columns is None:
            self._columns = columns_of(*self._load())
        return self._columns

    def near_names(self, name: str) -> list[str]:
        """Up to three names of defined symbols that are like ``name``, the likest first."""
        from difflib import get_close_matches

        known = {
            symbol.name
            for symbol in self.all()
            if symbol.defined
            and symbol.kind not in ("file", "section")
            and abs(len(symbol.name) - len(name)) <= 2
            and not symbol.mapping
        }
        return get_close_matches(name, sorted(known), n=3)

    def _not_found(self, name: str) -> Problem:
        near = self.near_names(name)
        undefined = any(not symbol.defined for symbol in self.named(name))
        return Problem(
            f"the build does not define the symbol {name}",
            where=self._file,
            found="a reference to it without a definition" if undefined else "no such symbol",
            expected=f"one definition (nearest names: {', '.join(near)})" if near else "one definition",
            next_step="correct the name, or keep the symbol from being dropped by the linker",
        )


def _best(candidates: list[Symbol]) -> list[Symbol]:
    """Those of the strongest binding among the candidates."""
    order = [_BINDING_ORDER.get(symbol.binding, 3) for symbol in candidates]
    strongest = min(order, default=0)
    return [symbol for symbol, rank in zip(candidates, order, strict=True) if rank == strongest]


def _offsets_of(terminated: bytes, strings: bytes) -> set[int]:
    """Every offset at which ``terminated`` stands: tails of longer names too, which linkers share."""
    return set(offsets_of(terminated, strings))


def _name_offsets(table: bytes) -> memoryview:
    """The first word of every entry, without copying the table."""
    return words_of(table)[:: ENTRY_SIZE // 4]


def _described(symbol: Symbol) -> str:
    return f"{symbol.binding} {symbol.kind} at {format_address(symbol.value)}"
