"""Calls of and stores to addresses that code puts together by itself: numbers, and what linkers write for far calls.

Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import cache

from gemel.builds.build import Build
from gemel.builds.mapped_code import MappedCode
from gemel.inspection.code.address_literals import constants_of, places_of_addresses
from gemel.inspection.code.core_settings import constant_word, follow, function_span_at
from gemel.m_profile.code.known_registers import Registers
from gemel.m_profile.instructions.halfwords import long_branches, where_instructions_begin
from gemel.m_profile.instructions.memory_accesses import memory_access
from gemel.m_profile.instructions.wide_forms import wide_form
from gemel.spans import Span
from gemel.structs import NamedTuple

Wanted = Callable[[int], bool]
"""Whether an address, without its Thumb bit, is one that is looked for."""

_BRANCH, _LOAD = re.compile(b"\x47"), re.compile(b"\xf8[\xf0-\xff]")
"""Upper bytes of BX and BLX of a register, and of LDR.W PC, [PC, #n] or #-n, in the upper bytes of halfwords."""

TABLE = 32
"""Bytes of a table of pointers that are looked at."""


UNROLLED = 60
"""Bytes after the first word that a round of an unrolled loop stores at most: 16 words (common practice)."""


class FarAccess(NamedTuple):
    """A call, jump, load or store ``at`` an address of another, which has no Thumb bit."""

    at: int
    target: int


def calls_of(build: Build, mapped: MappedCode | None, is_wanted: Wanted) -> list[FarAccess]:
    """The calls and jumps of a build to such addresses: branches, and by registers in functions."""
    wanted = cache(is_wanted)
    found = dict.fromkeys(_branches(mapped, wanted) if mapped else ())
    for function in _functions_with(build, _ways_out_of(build, mapped)):
        code = build.read_at_run(function.start, function.size) or b""
        if any(
            wanted(each & ~1) or any(map(wanted, _pointers_at(build, each)))
            for each in constants_of(code, function.start)
        ):
            found |= dict.fromkeys(each for each in _calls(build, function) if wanted(each.target))
    return list(found)


def _pointers_at(build: Build, address: int) -> Iterator[int]:
    """The constants at an address that may be pointers to functions, as in a table of them."""
    for at in range(address, address + TABLE, 4):
        word = constant_word(build, at)
        if word is None:
            return
        if word & 1:
            yield word & ~1


def is_branch(build: Build, access: FarAccess) -> bool:
    """Whether a call is a BL or B.W, which needs no register."""
    return (build.read_at_run(access.at, 2) or b"\0\0")[1] & 0xF8 == 0xF0


def _branches(mapped: MappedCode, wanted: Wanted) -> Iterator[FarAccess]:
    """Each BL and B.W to such an address outside of its section."""
    for section in mapped.sections:
        leads = {
            at - section.start: target
            for at, target in long_branches(section.code, section.start, leaving=True)
            if wanted(target)
        }
        for offset in where_instructions_begin(section.code, leads):
            yield FarAccess(section.start + offset, leads[offset])


def _functions_with(build: Build, addresses: Iterable[int]) -> Iterable[Span]:
    """The functions in which addresses are, each once."""
    return dict.fromkeys(span for at in addresses if (span := function_span_at(build, at)))


def _ways_out_of(build: Build, mapped: MappedCode | None) -> Iterator[int]:
    """Where a build's code branches by a register other than LR, or loads PC."""
    for start, code in _stretches(build, mapped):
        yield from (start + at for at in where_instructions_begin(code, _ways_out(code)))


def _stretches(build: Build, mapped: MappedCode | None) -> Iterator[tuple[int, bytes]]:
    """Where code of a build starts, and its bytes; without data where mapping symbols distinguish it."""
    if mapped is None or not mapped.sections:
        yield from ((each.run_address, each.data) for each in build.stored if each.executable)
    else:
        yield from ((each.start, each.code) for each in mapped.sections)
        yield from ((each.start, build.read_at_run(each.start, each.size) or b"") for each in mapped.unmapped)


def _ways_out(code: bytes) -> Iterator[int]:
    """The offsets of what reads as a branch by a register other than LR, or as a load of PC from near it."""
    upper = code[1::2]
    for at in sorted(2 * each.start() for pattern in (_BRANCH, _LOAD) for each in pattern.finditer(upper)):
        lower = code[at]
        if lower in (0x5F, 0xDF) if code[at + 1] == 0xF8 else lower & 3 == 0 and lower & 0xF8 != 0x70:
            yield at


def accesses_of(build: Build, wanted: list[Span], *, loads: bool, is_baseline: bool) -> list[FarAccess]:
    """The loads or the stores of a build's functions in these spans, of any size.

    ``is_baseline``: its core has an architecture that moves no wide immediates.  Left out is an address that is
    compared with itself, and what follows it: where a loop over no bytes starts, which compilers unroll.
    """
    found, compared = dict[FarAccess, None](), set[int | None]()

    def observe(at: int, first: int, second: int, before: Mapping[int, int], *_: object) -> None:
        upper, lower = wide_form(first, second)
        if upper & 0xFFF0 == 0xEBB0 and lower & 0xFFF0 == 0x0F00:  # CMP
            compared.update({before.get(upper & 15)} & {before.get(lower & 15)})
        access = memory_access(first, second)
        base = None if access is None or access.loads != loads else before.get(access.base)
        if access and base is not None and (access.by is None or access.by in before):
            index = before[access.by] << access.shift if access.by is not None else 0
            target = base + access.offset + index & 0xFFFF_FFFF
            if any(span.holds(target) for span in wanted):
                found[FarAccess(at, target)] = None

    for function in _functions_with(build, _places_in(wanted, build, is_baseline=is_baseline)):
        follow(build, function, observe)
    return [each for each in found if compared.isdisjoint(range(each.target - UNROLLED, each.target + 1))]


def _places_in(wanted: list[Span], build: Build, *, is_baseline: bool) -> Iterator[int]:
    """Where code may put an address in one of the spans together."""
    for segment in build.stored:
        for span in wanted if segment.executable else ():
            offsets = places_of_addresses(span, segment.data, segment.run_address, is_baseline=is_baseline)
            yield from (segment.run_address + at for at in offsets)


def _calls(build: Build, function: Span) -> list[FarAccess]:
    found: dict[int, FarAccess] = {}

    def observe(
        address: int, first: int, second: int, before: Mapping[int, int], _: Registers, _called: int | None
    ) -> None:
        target = None
        found.pop(address, None)  # a loop may never be entered: what is known the last time counts
        if first & 0xFF07 == 0x4700:  # BX, BLX
            target = before.get(first >> 3 & 15)
        elif first | 0x80 == 0xF8DF and second & 0xF000 == 0xF000:  # LDR.W PC, [PC, #n] or #-n
            offset = second & 0xFFF if first & 0x80 else -(second & 0xFFF)
            target = constant_word(build, (address + 4 & ~3) + offset)
        if target:  # 0: a function that nothing defines, which code looks for first
            found[address] = FarAccess(address, target & ~1)

    follow(build, function, observe)
    return list(found.values())
