"""Calls of addresses that code puts together by itself: numbers, and what linkers write for functions out of reach.

Encodings: Armv8-M Architecture Reference Manual (from memory).
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from functools import partial
from itertools import pairwise

from gemel.builds.build import Build
from gemel.inspection.code.core_settings import constant_word, function_spans
from gemel.m_profile.function_steps import Function
from gemel.m_profile.halfwords import branch_distance, long_branches, moved_constant
from gemel.m_profile.known_registers import Registers
from gemel.m_profile.known_stores import followed
from gemel.spans import Span
from gemel.structs import NamedTuple


class FarCall(NamedTuple):
    """A call or jump ``at`` an address to another, without its Thumb bit."""

    at: int
    target: int


def calls_into(build: Build, spans: list[Span]) -> list[FarCall]:
    """The calls and jumps of a build to addresses in ``spans``, outside of its own code."""
    found: dict[FarCall, None] = {}
    for function in function_spans(build):
        code = build.read_at_run(function.start, function.size) or b""
        if _may_reach(code, function.start, spans):
            for call in _calls(build, code, function.start):
                if any(span.holds(call.target) for span in spans):
                    found[call] = None
    return list(found)


def _may_reach(code: bytes, start: int, spans: list[Span]) -> bool:
    """Whether a function has such an address as a literal, the upper half of one for MOVT, or a branch to it."""
    words = (
        struct.unpack_from(f"<{(len(code) - -start % 4) // 4}I", code, -start % 4) if len(code) > 3 else ()
    )
    if any(span.holds(word & ~1) for span in spans for word in words):
        return True
    uppers = range(min(span.start for span in spans) >> 16, (max(span.last for span in spans) >> 16) + 1)
    halves = struct.unpack(f"<{len(code) // 2}H", code[: len(code) & ~1])
    for first, second in pairwise(halves):
        if (
            first & 0xFBF0 == 0xF2C0 and not second & 0x8000 and moved_constant(first, second) in uppers
        ):  # MOVT
            return True
    return any(span.holds(target) for _, target in long_branches(code, start, leaving=True) for span in spans)


def _calls(build: Build, code: bytes, start: int) -> list[FarCall]:
    found: list[FarCall] = []

    def observe(
        address: int, first: int, second: int, before: Mapping[int, int], _: Registers, _called: int | None
    ) -> None:
        target = None
        if first & 0xFF07 == 0x4700:  # BX, BLX
            target = before.get(first >> 3 & 15)
        elif first | 0x80 == 0xF8DF and second & 0xF000 == 0xF000:  # LDR.W PC, [PC, #n] or #-n
            offset = second & 0xFFF if first & 0x80 else -(second & 0xFFF)
            target = constant_word(build, (address + 4 & ~3) + offset)
        elif (distance := branch_distance(first, second, calls=True)) is not None:
            target = address + 4 + distance
        if target is not None:
            found.append(FarCall(address, target & ~1))

    word_at = partial(constant_word, build)
    followed(Function(code, start, word_at), Registers(word_at), observe)
    return found
