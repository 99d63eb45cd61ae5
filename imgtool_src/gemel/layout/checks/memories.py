"""What a layout says of its memories: whole blocks, inside the address space, apart for every observer."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.layout.addresses import starts_of
from gemel.layout.checks.areas import in_kib
from gemel.layout.kinds import KeyPath, LayoutFault
from gemel.layout.model import Layout, Memory
from gemel.spans import ADDRESS_SPACE, Span, format_address, format_size, is_power_of_two, overlapping

GRAIN = 1024
"""Bytes of which the start of every memory is a multiple, of flash, RAM and devices alike (common practice)."""

MIN_DECIMAL = 1_000_000
"""A number from here on whose last three digits are 0, and which is no such multiple, was meant in hex."""


def memory_faults(layout: Layout) -> Iterator[LayoutFault]:
    """What is wrong with each memory, and with two of them together."""
    if not any(memory.holds_image for memory in layout.memories.values()):
        yield LayoutFault(
            ("memory",),
            "there is no memory for an image",
            found=", ".join(f"{each.name} ({each.kind})" for each in layout.memories.values()) or "none",
            expected="a memory of kind flash or rom",
        )
    for memory in layout.memories.values():
        yield from _ends(memory)
        yield from _units(memory)
        yield from _views(layout, memory)
    yield from _overlaps(layout)


def _ends(memory: Memory) -> Iterator[LayoutFault]:
    path: KeyPath = ("memory", memory.name)
    starts: list[tuple[KeyPath, int]] = [((*path, "start"), memory.start)]
    starts += [((*path, "aliases", index), start) for index, start in enumerate(memory.aliases)]
    starts += [((*path, "views", core), start) for core, start in memory.views.items()]
    for where, start in starts:
        if start + memory.size > ADDRESS_SPACE:
            yield LayoutFault(
                where,
                "memory ends after the address space",
                found=f"{format_size(memory.size)} from {format_address(start)}",
                expected="an end of at most 0xFFFF_FFFF",
                next_step="correct start or size",
            )
        meant = int(str(start), 16)
        if start % GRAIN and start % 1000 == 0 and start >= MIN_DECIMAL and meant < ADDRESS_SPACE:
            yield LayoutFault(
                where,
                "memory starts at a decimal number",
                found=f"{start}, which is {format_address(start)}",
                expected=f"an address that is a multiple of {format_size(GRAIN)}",
                next_step=f"write 0x before it: {format_address(meant)}",
            )


def _units(memory: Memory) -> Iterator[LayoutFault]:
    path: KeyPath = ("memory", memory.name)
    block, unit = memory.erase_block, memory.write_unit
    if block and memory.size % block and not in_kib(memory.size, memory):
        yield LayoutFault(
            (*path, "erase_block"),
            "memory is not whole erase blocks",
            found=f"{format_size(block)} blocks in {format_size(memory.size)}",
            expected="a divisor of its size",
            next_step="blocks of several sizes: describe each stretch of equal blocks as a memory of its own",
        )
    if not is_power_of_two(unit):
        yield LayoutFault(
            (*path, "write_unit"),
            "write unit is not a power of two",
            found=str(unit),
            expected="1, 2, 4, 8 and so on",
        )
    elif (block or memory.size) % unit:
        whole = f"the erase block of {format_size(block)}" if block else f"size {format_size(memory.size)}"
        yield LayoutFault(
            (*path, "write_unit"),
            "write units do not fit",
            found=format_size(unit),
            expected=f"a divisor of {whole}",
            next_step="correct write_unit, or the size",
        )


def _views(layout: Layout, memory: Memory) -> Iterator[LayoutFault]:
    for core, start in memory.views.items():
        if (
            layout.cores[core].role == "primary"
            and [core.role for core in layout.cores.values()].count("primary") == 1
        ):
            yield LayoutFault(
                ("memory", memory.name, "views", core),
                "a view of the primary",
                found=format_address(start),
                expected=f"views of secondaries, as {core} sees it at its start",
                next_step="give start as the primary sees it, and further addresses as aliases",
            )


def _overlaps(layout: Layout) -> Iterator[LayoutFault]:
    """No observer may see two memories, or one twice, at the same address."""
    reported: set[tuple[str, str]] = set()
    for observer in (None, *layout.cores):
        windows = sorted(
            (Span(start, memory.size), memory.name)
            for memory in layout.memories.values()
            for start in starts_of(memory, observer)
        )
        for (span, name), (other_span, other) in overlapping(windows):
            if (pair := (min(name, other), max(name, other))) not in reported:
                reported.add(pair)
                yield _overlap(name, span, other, other_span, observer)


def _overlap(first: str, span: Span, second: str, other: Span, observer: str | None) -> LayoutFault:
    eyes = f"as {observer} sees them" if observer else "at their starts or aliases"
    if first == second:
        what, expected = "memory overlaps its own alias or view", "aliases apart by at least its size"
    else:
        what, expected = f"memories overlap {eyes}: {first} and {second}", "separate memories"
    return LayoutFault(
        ("memory", second),
        what,
        found=f"{span} and {other}",
        expected=expected,
        next_step="correct start or size of one of them, or its aliases and views",
    )
