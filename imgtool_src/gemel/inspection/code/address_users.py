"""Which code of a build gets at addresses: any of it, or one function that something calls.

Branches are read as the Arm instruction set for M-profile cores encodes them, from memory (Armv7-M
Architecture Reference Manual, BL T1, B T2 and T4); the tests hold them to compilers' builds.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import chain
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.builds.segment import Segment
from gemel.inspection.code.address_literals import holders_of
from gemel.m_profile.instructions.halfwords import (
    branch_distance,
    instructions,
    long_branches,
    short_branches,
)
from gemel.spans import Span

if TYPE_CHECKING:
    from gemel.builds.elf.symbol_entries import Symbol


def holds(build: Build, *addresses: int) -> bool:
    """Whether code of the build gets at each of these addresses."""
    return all(
        any(next(holders_of(address, each.data, each.run_address), None) for each in _code(build))
        for address in addresses
    )


def one_holds(build: Build, first: int, second: int) -> bool:
    """Whether one function that something leads to gets at both addresses, or a word outside of functions does."""
    if not holds(build, first, second):
        return False
    seconds = holders(build, second)
    return any(
        function is None or (function in seconds and is_reached(build, function))
        for function in holders(build, first)
    )


def reached_from(build: Build, start: int) -> set[Symbol]:
    """The functions that one leads to, by branches and by the words of its literals, itself included."""
    found: set[Symbol] = set()
    pending = [start]
    while pending and build.symbols:
        known = build.symbols.function_at(pending.pop())
        if known is None or known[0] in found or not known[0].size:
            continue
        found.add(known[0])
        start = known[0].address
        code = build.read_at_run(start, known[0].size) or b""
        words = [code[at : at + 4] for at in range(-start % 4, len(code) - 3, 4)]
        pending += [word for each in words if (word := int.from_bytes(each, "little")) & 1]
        for at, first, second in instructions(code):
            distance = branch_distance(first, second, calls=True)
            pending += [] if distance is None else [start + at + 4 + distance]
    return found


def _code(build: Build) -> list[Segment]:
    return [segment for segment in build.stored if segment.executable]


def holders(build: Build, address: int) -> set[Symbol | None]:
    """The functions that hold the address; None where it is held outside of all that have a size."""
    found = set()
    for segment in _code(build):
        for each in holders_of(address, segment.data, segment.run_address):
            known = build.function_at(segment.run_address + each.offset)
            found.add(known[0] if known and known[1] < known[0].size else None)
    return found


def is_reached(build: Build, function: Symbol) -> bool:
    """Whether the build starts there, an aligned word leads there, or a function does of which that is so.

    What is before a label of assembler code goes on to it.
    """
    starts, branches, known = _led_to(build)
    leads: dict[Symbol, Symbol | None] = {function: None}
    pending = [function]
    while pending:
        each = pending.pop()
        if known.get(each) is False:
            continue
        outside = [at for at in branches.get(each.address, ()) if not each.span.holds(at)]
        callers = {found[0] if (found := build.function_at(at)) else None for at in outside}
        if each in known or each.address | 1 in starts or None in callers:
            way: Symbol | None = each
            while way:
                known[way], way = True, leads[way]
            return True
        if each.kind == "notype" and (before := build.function_at(each.address - 2)):
            callers.add(before[0])
        new = [caller for caller in callers if caller and caller not in leads]
        leads.update(dict.fromkeys(new, each))
        pending += new
    known.update(dict.fromkeys(leads, False))
    return False


def _led_to(build: Build) -> tuple[set[int], dict[int, list[int]], dict[Symbol, bool]]:
    """The words and the entry point of a build, where branches lead with their places, and what is known to be reached.

    They are worked out once.
    """
    kept = vars(build)
    if "led_to" not in kept:
        code = [segment.stored_run for segment in _code(build)]
        first, end = min(code, default=Span(0, 0)).start, max((each.end for each in code), default=0)
        words = (word for segment in build.stored for _, word in segment.aligned_words())
        starts = {word for word in words if first < word < end}
        if build.entry is not None:
            starts.add(build.entry | 1)
        branches = defaultdict[int, list[int]](list)
        for segment in _code(build):
            for at, target in chain(
                *(of(segment.data, segment.run_address) for of in (long_branches, short_branches))
            ):
                branches[target].append(at)
        kept["led_to"] = starts, branches, {}
    found: tuple[set[int], dict[int, list[int]], dict[Symbol, bool]] = kept["led_to"]
    return found
