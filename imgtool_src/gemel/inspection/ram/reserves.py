"""Heap and stack as the linker script of a build sets them aside.

A linker script says it with the names of sections (``.heap``, ``.stack``), with symbols at both ends
(``__HeapBase``, ``__StackTop``) or with a symbol whose value is a size (``_Min_Stack_Size``).  Which
names these are is common practice; they are listed from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

from gemel.builds.build import Build
from gemel.spans import Span
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.elf.section_table import Section
    from gemel.builds.elf.symbol_entries import Symbol

ReserveKind = Literal["heap", "stack"]

HEAP_ENDS = (
    ("__HeapBase", "__HeapLimit"),
    ("__heap_base", "__heap_limit"),
    ("__heap_start__", "__heap_end__"),
    ("__heap_start", "__heap_end"),
    ("_heap_start", "_heap_end"),
    ("heap_start", "heap_end"),
    ("_sheap", "_eheap"),
    ("HEAP$$Base", "HEAP$$Limit"),
    ("Image$$ARM_LIB_HEAP$$ZI$$Base", "Image$$ARM_LIB_HEAP$$ZI$$Limit"),
)
"""Lowest address and first address after it."""

STACK_ENDS = (
    ("__StackBottom", "__StackTop"),
    ("__StackLimit", "__StackTop"),
    ("__STACK_LIMIT", "__INITIAL_SP"),
    ("__stack_limit", "__stack"),
    ("__stack_limit", "__stack_top"),
    ("__stack_bottom", "__stack_top"),
    ("_stack_bottom", "_stack_top"),
    ("stack_bottom", "stack_top"),
    ("__stack_start__", "__stack_end__"),
    ("__stack_start", "__stack_end"),
    ("_stack_start", "_stack_end"),
    ("stack_start", "stack_end"),
    ("_sstack", "_estack"),
    ("CSTACK$$Base", "CSTACK$$Limit"),
    ("Image$$ARM_LIB_STACK$$ZI$$Base", "Image$$ARM_LIB_STACK$$ZI$$Limit"),
)
"""Both ends; some scripts name the upper one first, so that the lower value counts as the lower end.

Of two pairs with one top the first counts: where there is a ``__StackBottom``, ``__StackLimit`` is where a heap ends.
"""

TOPS = (
    "_estack", "__StackTop", "__stack", "__stack_top", "__stack_top__", "_stack_top", "__initial_sp",
    "__INITIAL_SP", "_stack",
)  # fmt: skip
"""Symbols of the first address after the stack."""

SIZES: dict[ReserveKind, tuple[str, ...]] = {
    "heap": (
        "_Min_Heap_Size", "__heap_size__", "__heap_size", "_heap_size", "__HEAP_SIZE", "Heap_Size",
        "HEAP_SIZE", "heap_size",
    ),
    "stack": (
        "_Min_Stack_Size", "__stack_size__", "__stack_size", "_stack_size", "__STACK_SIZE", "Stack_Size",
        "STACK_SIZE", "stack_size",
    ),
}  # fmt: skip
"""Absolute symbols whose value is a number of bytes."""

DATA_ENDS = ("__end__", "_end", "end")
"""Symbols of the first address after all data, from which a heap of a stated size grows."""

_NAMES = frozenset(
    name for names in (*HEAP_ENDS, *STACK_ENDS, TOPS, *SIZES.values(), DATA_ENDS) for name in names
)
_OF_WHOM = frozenset((
    "", "msp", "psp", "main", "process", "sys", "system", "isr", "irq", "int", "interrupt", "exception", "task",
    "thread", "user", "kernel", *"abcdefghijklmnopqrstuvwxyz",
))  # fmt: skip
"""What stands before ``heap`` or ``stack`` in a word of a section's name (common practice)."""
_OTHER_SECTIONS = (".note", ".debug", ".comment", ".stack_sizes", ".text", ".rodata")


class Reserve(NamedTuple):
    """Memory set aside as heap or stack, as its core sees it; ``named_by`` names the section or symbols.

    ``by_size`` says that only one end and the size are stated.
    """

    kind: ReserveKind
    span: Span
    named_by: str
    by_size: bool = False

    @property
    def words(self) -> str:
        """What messages call it."""
        return f"{self.kind}, {self.named_by}"


class Stated(NamedTuple):
    """A size that the linker script states, and by what."""

    size: int
    named_by: str


def reserves_of(build: Build) -> tuple[Reserve, ...]:
    """The heaps and stacks whose place the build shows, each place once; sections before symbols."""
    found: list[Reserve] = []
    for reserve in (*_by_sections(build), *_by_ends(build), *_by_sizes(build)):
        known = any(each.kind == reserve.kind and each.span.covers(reserve.span) for each in found)
        if reserve.span.size and not known:
            found.append(reserve)
    return tuple(found)


def spans_of_sections(build: Build) -> list[Span]:
    """The memory of all sections that are named for heap, stack or both, as the core sees it."""
    return [section.span for section in _sections(build) if section.allocated]


def stated_stack(build: Build) -> Stated | None:
    """The size of the stack where the build states it without its place."""
    symbols = _symbols(build)
    for name in SIZES["stack"]:
        if (symbol := symbols.get(name)) and symbol.absolute and symbol.value:
            return Stated(symbol.value, f"symbol {name}")
    for section in _sections(build):
        if not section.allocated and _kinds(section.name) == {"stack"} and section.span.size:
            return Stated(section.span.size, f"section {section.name}")
    return None


def inverted_heaps(build: Build) -> Iterator[tuple[str, int, str, int]]:
    """Pairs of symbols by which a heap ends before it starts: name and value of start and end."""
    symbols = _symbols(build)
    for start, end in HEAP_ENDS:
        if start in symbols and end in symbols and symbols[end].value < symbols[start].value:
            yield start, symbols[start].value, end, symbols[end].value


def _symbols(build: Build) -> Mapping[str, Symbol]:
    return build.symbols.among(_NAMES) if build.symbols else {}


def _sections(build: Build) -> Iterator[Section]:
    for section in build.all_sections:
        if section.executable or not section.span.start or section.name.startswith(_OTHER_SECTIONS):
            continue
        if _kinds(section.name):
            yield section


@lru_cache(maxsize=1 << 14)
def _kinds(section: str) -> frozenset[ReserveKind]:
    """What a section is by the words of its name: ``.stack_dummy``, ``.mstack``, ``._user_heap_stack``."""
    kinds: tuple[ReserveKind, ...] = ("heap", "stack")
    small = section.lower()
    if not any(kind in small for kind in kinds):
        return frozenset()
    words = [word.rstrip("0123456789").removesuffix("s") for word in re.split("[^a-z0-9]+", small)]
    return frozenset(
        kind
        for kind in kinds
        for word in words
        if word.endswith(kind) and word.removesuffix(kind) in _OF_WHOM
    )


def _by_sections(build: Build) -> Iterator[Reserve]:
    tops = [symbol.value for name, symbol in _symbols(build).items() if name in TOPS]
    for section in _sections(build):
        kinds = _kinds(section.name)
        if section.allocated and len(kinds) == 1:
            (kind,), span = kinds, section.span
            if kind == "stack" and tops and not any(span.start < top <= span.end for top in tops):
                # it only makes sure that there is room: the stack is where the pointer starts
                top = max(tops)
                yield Reserve(
                    kind, Span(max(0, top - span.size), span.size), f"size of section {section.name}"
                )
            else:
                yield Reserve(kind, span, f"section {section.name}")


def _by_ends(build: Build) -> Iterator[Reserve]:
    symbols = _symbols(build)
    kinds: tuple[tuple[ReserveKind, tuple[tuple[str, str], ...]], ...] = (
        ("heap", HEAP_ENDS),
        ("stack", STACK_ENDS),
    )
    for kind, ends in kinds:
        tops = set[str]()
        for names in ends:
            if names[0] in symbols and names[1] in symbols and names[1] not in tops:
                tops.add(names[1])
                first, second = (symbols[name].value for name in names)
                if kind == "stack":
                    first, second = sorted((first, second))
                if first < second:
                    yield Reserve(kind, Span.from_bounds(first, second), f"symbols {names[0]} and {names[1]}")


def _by_sizes(build: Build) -> Iterator[Reserve]:
    """Heap of a stated size after all data, stack of a stated size below its top."""
    symbols = _symbols(build)
    sizes = [
        (kind, name, symbols[name].value)
        for kind, names in SIZES.items()
        for name in names
        if name in symbols and symbols[name].absolute
    ]
    for kind, name, size in sizes:
        anchors = DATA_ENDS if kind == "heap" else TOPS
        anchor = next((anchor for anchor in anchors if anchor in symbols), None)
        if anchor is None:
            continue
        value = symbols[anchor].value
        start = value if kind == "heap" else max(0, value - size)
        yield Reserve(kind, Span(start, size), f"symbols {name} and {anchor}", by_size=True)
