"""Handlers of an image alone whose bytes are no code that a core could run from there.

Without symbols nothing says where functions begin.  Constants and the second halves of instructions are known by what
is there: halfwords that are hardly code, or bytes that the code at reset takes or loads.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from gemel.inspection.code.address_literals import holders_of
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.m_profile.code.flow import Flow
from gemel.m_profile.instructions.halfwords import is_wide
from gemel.m_profile.vector_tables import FIRST_INTERRUPT
from gemel.spans import Span

_SPACES = 0xE000_E000, 0xE002_E000
"""The system control space, with NVIC_ISER0..15 from 0x100 on, and that of the non-secure state: Armv7-M Architecture
Reference Manual, B3.4, and Armv8-M Architecture Reference Manual (from memory)."""

_ENABLING = frozenset(space + at for space in _SPACES for at in range(0x100, 0x140, 4))
_BASES = tuple(space + at for space in _SPACES for at in (0, 0x10, 0x14, 0x18))
"""What compilers have a register hold for several stores: the space, or a register of the tick timer."""

_STORES = re.compile(rb"[\xC0-\xCE]\xF8(..)", re.DOTALL)
"""STR.W Rt, [Rn, #imm12]: 111110001100 Rn Rt imm12 (from memory)."""


def is_code_after_exceptions(inspection: Inspection, table: VectorTable) -> bool:
    """Whether code that the handlers of an image alone lead to is where the words of interrupts would be."""
    span = code_around(inspection, table)
    start = table.placed.run_start + span.start - table.placed.stored.start
    flow = Flow(inspection.bytes_of(span), start)
    words = [word for word in table.words[1:FIRST_INTERRUPT] if word & 1]
    flow.follow(word for word in words if Span(start, span.size).holds(word))
    first = table.span.start - span.start
    return any(flow.sizes[(first + 4 * FIRST_INTERRUPT) // 2 : (first + 4 * len(table.words)) // 2])


def may_enable_interrupts(inspection: Inspection, table: VectorTable) -> bool:
    """Whether the build holds the address of a register that enables interrupts, or a base that it stores from."""
    data, start = inspection.bytes_of(table.placed.stored), table.placed.run_start

    def holds(*addresses: int) -> bool:
        return any(next(holders_of(address, data, start), None) for address in addresses)

    offsets = {int.from_bytes(half, "little") & 0xFFF for half in _STORES.findall(data)}
    bases = [base for base in _BASES if any(base + offset in _ENABLING for offset in offsets)]
    return holds(*sorted(_ENABLING), *bases)


MAX_STREAMS = 256
"""Stretches of code from the reset handler on that are read."""

MAX_SIZE, FAR = 1 << 24, 1 << 16
"""Bytes of a build that are read as a whole; in a larger one, a hole of so many ends what is near."""

SOON = 4
"""Bytes of instructions before one that is hardly code, at most: later ones may be after a call that never returns."""

NO_OPERATION = b"\x00\xbf"
"""What is put where nothing is stored, so that code which goes on there is followed."""

_STOPS = range(0xBE, 0xC0), range(0xDE, 0xE0)
"""High bytes of BKPT, IT and hints, of UDF and SVC: what comes after them may be no code."""


def implausible_handlers(inspection: Inspection, table: VectorTable, words: Iterable[int]) -> dict[int, str]:
    """For each of these words of the table that no code begins at, what is there instead."""
    placed = table.placed
    span = code_around(inspection, table)
    own = Span(placed.run_start + span.start - placed.stored.start, span.size)
    flow = Flow(inspection.bytes_of(span), own.start)
    places = {word: (word & ~1) - own.start for word in words if own.holds(word)}
    found = {word: "bytes that do not read as code" for word, at in places.items() if _is_no_code(flow, at)}
    others = {word: at for word, at in places.items() if word not in found}
    after_wide = {at for at in others.values() if at and is_wide(flow.code[at - 1] << 8)}
    used = after_wide | flow.may_be_used(set(others.values()) - after_wide)
    doubtful = {word: at for word, at in others.items() if at in used}
    reset = table.words[1]
    if not doubtful or reset not in places or reset in found:
        return found
    _follow(flow, [places[reset]])
    for word, at in doubtful.items():
        if at and flow.sizes[at - 2 >> 1] == 4:
            found[word] = "the second half of an instruction of the code at reset"
        elif flow.data[at >> 1]:
            found[word] = "a constant that the code at reset loads"
    return found


def _follow(flow: Flow, waiting: list[int]) -> None:
    for _ in range(MAX_STREAMS):
        if not waiting:
            break
        stream = flow.stream(waiting.pop())
        flow.take(stream)
        waiting += [*stream.branches, *stream.calls]


def where_code_goes_on(inspection: Inspection, table: VectorTable, gaps: Iterable[Span]) -> list[Span]:
    """The unwritten spans that code to which the table leads goes on or branches to, or loads from.

    One of them may begin where the build ends.
    """
    gaps, placed = list(gaps), table.placed
    span = code_around(inspection, table)
    span = Span.from_bounds(
        span.start, max([span.end, *(each.end for each in gaps if span.start < each.start <= span.end)])
    )
    start = placed.run_start + span.start - placed.stored.start
    gaps = [each for each in gaps if span.covers(each)]  # others are farther away than what is looked at
    code = bytearray(inspection.bytes_of(span))
    for gap in gaps:
        first, end = (at - span.start + 1 & ~1 for at in (gap.start, gap.end))
        code[first:end] = NO_OPERATION * ((end - first) // 2)
    flow = Flow(bytes(code), start)
    flow.follow(word for word in table.words[1:] if word & 1 and Span(start, span.size).holds(word))
    found = []
    for gap in gaps:
        first, end = (max(1, at - span.start >> 1) for at in (gap.start, gap.end))
        if flow.sizes[first - 1] == 4 or any(flow.sizes[first:end]) or any(flow.data[first:end]):
            found.append(gap)
    return found


def code_around(inspection: Inspection, table: VectorTable) -> Span:
    """What is looked at: all of a build, of one that is spread wide what is stored near its vector table."""
    span = table.placed.stored
    if span.size <= MAX_SIZE:
        return span
    near = (part for part in inspection.held_parts(span, FAR) if part.holds(table.span.start))
    return next(near, Span(span.start, MAX_SIZE))


def _is_no_code(flow: Flow, at: int) -> bool:
    """Whether a halfword that is hardly code comes at once, as in words of small numbers.

    Nothing has been reached in ``flow`` yet.
    """
    stream = flow.stream(at, stop=min(at + SOON + 4, len(flow.code)), strict=True)
    ends = [*stream.sizes, stream.end]  # a handler may do no more than trap: UDF is hardly code, and ends it
    leaves = stream.calls or any(
        high in part for each in ends for high in flow.code[each + 1 : each + 2] for part in _STOPS
    )
    return stream.improbable and stream.end - at <= SOON and not leaves
