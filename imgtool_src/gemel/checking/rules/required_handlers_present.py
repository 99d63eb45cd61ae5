"""Rule ``required-handlers-present``: the handlers that any program needs are there."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_table
from gemel.checking.findings.handler_words import TableEnd, ends_before_interrupts
from gemel.checking.rule import Rule
from gemel.inspection.cores.vector_tables import moved_handlers, named_words, place_of, words_span
from gemel.inspection.cores.views import described_word, distance
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.m_profile.vector_tables import word_name
from gemel.outcomes import Finding, Holds, Outcome
from gemel.spans import format_size

if TYPE_CHECKING:
    from gemel.inspection.code.core_settings import Setting


REQUIRED = (2, 3, 11, 14)
"""NMI, HardFault, SVCall, PendSV: every profile has them, and none has an enable bit."""


@of_each_table
def check(inspection: Inspection, table: VectorTable) -> Iterator[Outcome]:
    """One outcome for each build: the words of its vector table that must not be zero."""
    missing = [index for index in REQUIRED if table.words[index : index + 1] == (0,)]
    ticks = ticks_without_handler(inspection, table)
    end = ends_before_interrupts(inspection, table)
    if end:
        yield _of_no_interrupt(table, end)
    elif ticks:
        yield _of_ticks(inspection, table, ticks)
    elif not missing and not moved_handlers(inspection, table):
        yield Holds(f"build {table.plan.name}")
    if distance := moved_handlers(inspection, table):
        yield _of_another_word(table, distance)
        missing = [index for index in missing if index not in (11, 14)]
    if not missing:
        return
    names = ", ".join(word_name(index) for index in missing)
    yield Finding(
        f"build {table.plan.name} has no handler for {names}",
        (table.plan.name, table.core.name),
        where=place_of(table, *missing),
        found="0x0000_0000",
        expected="the address of a handler in each of these words",
        span=words_span(table, missing),
        follows_from=(("vector-table-complete", table.plan.name), ("reset-handler-in-code", table.plan.name)),
    )


def _of_another_word(table: VectorTable, distance: int) -> Finding:
    words = [index + distance for index in (11, 14)]
    return Finding(
        f"the vector table of build {table.plan.name} has its handlers one word "
        f"{'after' if distance > 0 else 'before'} their places",
        (table.plan.name, table.core.name),
        where=place_of(table, *words),
        found=f"handlers in {named_words(words)}",
        expected="SVCall in word 11 and PendSV in word 14, and 0x0000_0000 in each word that the architecture reserves",
        span=words_span(table, words),
        next_step=f"{'leave a word out' if distance > 0 else 'add a word of zero'} before the handler of SVCall: "
        "words 7 to 10 and 13 are reserved in most architectures",
        follows_from=(("vector-table-complete", table.plan.name), ("reset-handler-in-code", table.plan.name)),
    )


def _of_ticks(inspection: Inspection, table: VectorTable, enabling: Setting) -> Finding:
    name, core = table.plan.name, table.core.name
    handler = table.words[SYSTICK]
    return Finding(
        f"build {name} enables the tick interrupt and has no handler for SysTick",
        (name, core),
        where=place_of(table, SYSTICK),
        found=described_word(inspection, core, handler)
        + (", an endless loop" if handler else "")
        + f"; enabled at {enabling.place}",
        expected="the address of the handler that counts the ticks",
        span=words_span(table, [SYSTICK]),
        next_step="give the handler the name that the vector table has for word 15, and link the file that it is in",
        follows_from=tuple(
            (rule, name)
            for rule in ("vector-table-complete", "reset-handler-in-code", "handlers-at-function-starts")
        ),
    )


def _of_no_interrupt(table: VectorTable, end: TableEnd) -> Finding:
    name, core = table.plan.name, table.core
    return Finding(
        f"the vector table of build {name} has no word for an interrupt",
        (name, core.name),
        where=place_of(table),
        found=f"{format_size(4 * end.words)}, {end.by}; no code of the build is known to enable an interrupt",
        expected=f"{format_size(table.span.size)} for 16 + {core.interrupts} words",
        next_step="write the table for all interrupts, with a default handler, or give the core no interrupts in the "
        "layout for as long as it enables none: interrupts = 0",
    )


SYSTICK = 15
"""The word of the tick interrupt's handler; SYST_CSR: Armv7-M Architecture Reference Manual, B3.3.3 (from memory)."""

_ENABLE_AND_TICKINT = 0b11
_LOOP = re.compile(rb"(?:.[\xb4\xb5]|\x6f\x46|\x00\xaf|\x00\xbf|\xc0\x46|\xff\xe7){0,4}\xfe\xe7", re.DOTALL)
"""B to itself, after what unoptimised functions begin with: PUSH, a frame pointer, NOP, B to what is next."""

_MASK, _UNMASK = b"\x72\xb6", b"\x62\xb6"
"""CPSID i and CPSIE i."""


def ticks_without_handler(inspection: Inspection, table: VectorTable) -> Setting | None:
    """The store that enables the tick interrupt where its word is zero or the address of an endless loop, if any.

    None where code may use another table, never takes an interrupt, or does not show what it stores.
    """
    name, build = table.plan.name, inspection.builds.get(table.plan.name)
    if build is None or len(table.words) <= SYSTICK:
        return None
    from gemel.m_profile.code.known_registers import SYST_CSR, VTOR

    settings = inspection.core_settings.get(name, ())
    ticks = [each for each in settings if each.store.target == SYST_CSR]
    if not ticks:
        return None
    handler = table.words[SYSTICK]
    if handler and not _is_endless_loop(build, handler & ~1):
        return None
    own, layout, core = table.placed.vector_address, inspection.layout, table.core.name
    if any(
        each.store.target == VTOR
        and (each.store.value is None or distance(layout, core, own, each.store.value))
        for each in settings
    ):
        return None
    code = [bytes(segment.data) for segment in build.stored if segment.executable]
    if any(_MASK in each for each in code) and not any(_UNMASK in each for each in code):
        return None
    used = [each for each in ticks if _is_used(build, each)]
    return next((each for each in used if _bits(each) == _ENABLE_AND_TICKINT), None) or _in_steps(used)


def _is_endless_loop(build: Build, address: int) -> bool:
    segment = build.segment_at_run(address)
    return segment is not None and bool(_LOOP.match(segment.data, address - segment.run_address))


def _bits(setting: Setting) -> int:
    """Of the two bits those that a store is known to set."""
    store = setting.store
    bits = store.value if store.value is not None else store.changed.ones if store.changed else 0
    return bits & _ENABLE_AND_TICKINT


def _in_steps(settings: list[Setting]) -> Setting | None:
    """The last of the stores that each set a bit of what they read, if together they set both."""
    steps = [each for each in settings if each.store.value is None and _bits(each)]
    bits = 0
    for each in steps:
        bits |= _bits(each)
    return steps[-1] if bits == _ENABLE_AND_TICKINT else None


def _is_used(build: Build, setting: Setting) -> bool:
    from gemel.inspection.code.address_users import is_reached

    function = build.function_at(setting.store.at)
    return function is None or is_reached(build, function[0])


RULE = Rule(
    name="required-handlers-present",
    severity="warning",
    guards="device",
    checks="The words for NMI, HardFault, SVCall and PendSV of each build's vector table are not zero, "
    "whatever the profile of its core; where the core has interrupts, the table is longer than its 16 exceptions, even "
    "if no code is known to enable one; where code enables the tick interrupt, the word for SysTick is a handler and "
    "no endless loop.",
    why="These exceptions have no enable bit. When one comes and its word is zero, the core jumps to "
    "address 0 without the Thumb bit; for a fault that is a fault inside the fault handler, and the core "
    "locks up without a trace of why.",
    remedy="Put at least a default handler, such as an endless loop that a debugger can find, into each of "
    "these words.",
    source="Armv6-M and Armv7-M Architecture Reference Manuals, exception model (second-hand); CMSIS-Core, "
    "section 'Interrupts and Exceptions (NVIC)'",
    absent="the layout has no build in an area of purpose code",
    check=check,
)
