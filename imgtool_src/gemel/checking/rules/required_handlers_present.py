"""Rule ``required-handlers-present``: the handlers that any program needs are there."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_table
from gemel.checking.findings.handler_words import TableEnd, ends_before_interrupts
from gemel.checking.rule import Rule
from gemel.inspection.cores.vector_tables import moved_handlers, named_words, place_of, words_span
from gemel.inspection.cores.views import described_word, distance
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.m_profile.code.function_steps import ANY, EACH, Function, StepWays
from gemel.m_profile.code.known_registers import ICSR, NVIC_ISER, SYST_CSR, VTOR, KnownStore
from gemel.m_profile.instructions.halfwords import is_call, where_instructions_begin
from gemel.m_profile.instructions.memory_accesses import SP, memory_access
from gemel.m_profile.vector_tables import FIRST_INTERRUPT, word_name
from gemel.outcomes import Finding, Holds, Outcome
from gemel.spans import format_size, offsets_of
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.inspection.code.core_settings import Setting

_CAUSES = ("vector-table-complete", "reset-handler-in-code", "handlers-at-function-starts")

REQUIRED = (2, 3, 11, 14)
"""NMI, HardFault, SVCall, PendSV: every profile has them, and none has an enable bit."""


@of_each_table
def check(inspection: Inspection, table: VectorTable) -> Iterator[Outcome]:
    """One outcome for each build: the words of its vector table that must not be zero."""
    missing = [index for index in REQUIRED if table.words[index : index + 1] == (0,)]
    enabled = enabled_without_handler(inspection, table)
    end, distance = ends_before_interrupts(inspection, table), moved_handlers(inspection, table)
    if end:
        yield _of_no_interrupt(table, end)
    elif enabled and enabled.word not in missing and not distance:
        yield _of_enabled(inspection, table, enabled)
    elif not missing and not distance:
        yield Holds(f"build {table.plan.name}")
    if distance:
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
        follows_from=tuple((rule, table.plan.name) for rule in _CAUSES),
    )


def _of_enabled(inspection: Inspection, table: VectorTable, enabled: Enabled) -> Finding:
    name, core, word = table.plan.name, table.core.name, enabled.word
    if word >= len(table.words):
        return _of_no_such_interrupt(table, enabled)
    handler = table.words[word]
    does, done = _ENABLED.get(word, (f"enables {word_name(word)} and has no handler for it", "enabled"))
    return Finding(
        f"build {name} {does}",
        (name, core),
        where=place_of(table, word),
        found=described_word(inspection, core, handler)
        + (", which never returns" if handler else "")
        + f"; {done} at {enabled.setting.place}",
        expected=f"the address of the handler {'that counts the ticks' if word == SYSTICK else 'for it'}",
        span=words_span(table, [word]),
        next_step=f"give the handler the name that the table has for word {word}, and link the file that it is in",
        follows_from=tuple((rule, name) for rule in _CAUSES),
    )


def _of_no_such_interrupt(table: VectorTable, enabled: Enabled) -> Finding:
    name, core, number = table.plan.name, table.core, enabled.word - FIRST_INTERRUPT
    return Finding(
        f"build {name} enables interrupt {number}, and core {core.name} has {core.interrupts} by the layout",
        (name, core.name),
        where=f"build {name}, store at {enabled.setting.place}",
        found=f"bit {number % 32} of NVIC_ISER{number // 32}",
        expected=f"interrupts 0 to {core.interrupts - 1}" if core.interrupts else "no interrupt",
        next_step=f"correct the number in the code; or give core {core.name} interrupts = {number + 1} or more in the "
        "layout, and its vector table a word for each",
        follows_from=(("build-architecture-fits-core", name), ("reset-handler-in-code", name)),
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


SVCALL, PENDSV, SYSTICK = 11, 14, 15
"""The words of SVCall, PendSV and the tick interrupt; SYST_CSR, NVIC_ISER, ICSR: Armv7-M Architecture Reference Manual,
B3.3.3, B3.4.4 and B3.2.4 (from memory)."""

_ENABLED = {
    SYSTICK: ("enables the tick interrupt and has no handler for SysTick", "enabled"),
    PENDSV: ("requests PendSV and has no handler for it", "requested"),
    SVCALL: ("executes SVC and has no handler for it", "executed"),
}
_ENABLE_AND_TICKINT, _PENDSVSET = 0b11, 1 << 28
MAX_HANDLER = 256
"""Bytes of a default handler that are looked at, where its function has no size."""

HARDFAULT = 3
"""The word of a handler that knows of no other exception, unless it asks which one it serves."""

_MASK, _UNMASK = b"\x72\xb6", b"\x62\xb6"
"""CPSID i and CPSIE i."""


class Enabled(NamedTuple):
    """A store that enables an exception, or requests it, or an SVC, and the word of the handler."""

    word: int
    setting: Setting


def enabled_without_handler(inspection: Inspection, table: VectorTable) -> Enabled | None:
    """The first exception that code enables and whose word is none, zero or that of a handler which never returns.

    None where code may use another table, never takes an interrupt, or does not show what it stores.  A handler of one
    interrupt alone may go on for ever; one for all of them is none.
    """
    name, build = table.plan.name, inspection.builds.get(table.plan.name)
    if build is None:
        return None
    settings = inspection.core_settings.get(name, ())
    found = [each for each in _enabled(settings) if _lacks_handler(build, table.words, each)]
    found += _supervisor_calls(inspection, build, table.words)
    own, layout, core = table.placed.vector_address, inspection.layout, table.core.name
    if not found or any(
        each.store.target == VTOR
        and (each.store.value is None or distance(layout, core, own, each.store.value))
        for each in settings
    ):
        return None
    code = [bytes(segment.data) for segment in build.stored if segment.executable]
    if any(_MASK in each for each in code) and not any(_UNMASK in each for each in code):
        return None
    used = [each for each in found if _is_used(build, each.setting)]
    whole = (each for each in used if each.word != SYSTICK or _bits(each.setting) == _ENABLE_AND_TICKINT)
    return next(whole, None) or _in_steps(used)


def _enabled(settings: tuple[Setting, ...]) -> Iterator[Enabled]:
    """What each store enables; of the tick timer each store that is one or a step of it."""
    for each in settings:
        target, bits = each.store.target, _bits(each)
        if target == SYST_CSR:
            yield Enabled(SYSTICK, each)
        elif target == ICSR and bits & _PENDSVSET:
            yield Enabled(PENDSV, each)
        elif isinstance(target, int) and target in NVIC_ISER:
            first = FIRST_INTERRUPT + 32 * NVIC_ISER.index(target)
            yield from (Enabled(first + bit, each) for bit in range(32) if bits >> bit & 1)


def _supervisor_calls(inspection: Inspection, build: Build, words: tuple[int, ...]) -> Iterator[Enabled]:
    """The first SVC of each function of a build, where its handler never returns."""
    mapped, handler = inspection.mapped_code.get(build.name), words[SVCALL] if len(words) > SVCALL else 0
    if mapped is None or not handler or not _never_returns(build, handler & ~1, handler == words[HARDFAULT]):
        return
    from gemel.inspection.code.core_settings import Setting

    functions = set[str]()
    for section in mapped.sections:
        places = (at - 1 for at in offsets_of(b"\xdf", section.code) if at % 2)
        for at in where_instructions_begin(section.code, places):
            found = build.function_at(section.start + at)
            name = found[0].name if found else ""
            if name not in functions:
                functions.add(name)
                yield Enabled(SVCALL, Setting(KnownStore(section.start + at, "SVC", None), name))


def _lacks_handler(build: Build, words: tuple[int, ...], enabled: Enabled) -> bool:
    index = enabled.word
    if index >= len(words):  # all ones enable whatever the core has
        return _bits(enabled.setting) != 0xFFFF_FFFF
    if not words[index]:
        return True
    is_shared = index < FIRST_INTERRUPT or words.count(words[index]) > 1
    return is_shared and _never_returns(build, words[index] & ~1, words[index] == words[HARDFAULT])


def _never_returns(build: Build, address: int, serves_faults: bool) -> bool:
    """Whether a handler goes on for ever: it does nothing else, or is that of faults too."""
    found, segment = build.function_at(address), build.segment_at_run(address)
    if segment is None:
        return False
    size = found[0].size - found[1] if found and found[0].size else MAX_HANDLER
    start = address - segment.run_address
    function = Function(segment.data[start : start + size], address)
    ways = StepWays(function, lambda _: False)
    if not function.steps:
        return False
    reached = ways.reached(0)
    ends = {-1, ANY, EACH, len(function.steps)}
    return not any(ends.intersection(ways.after(index)) for index in reached) and (
        serves_faults
        or not any(_does_more(step.first, step.second) for step in map(function.steps.__getitem__, reached))
    )


def _does_more(first: int, second: int) -> bool:
    """Whether an instruction calls, or stores other than to the stack."""
    access = memory_access(first, second)
    return is_call(first, second) or (access is not None and not access.loads and access.base != SP)


def _bits(setting: Setting) -> int:
    """The bits that a store is known to set, of the tick timer's control register the two that matter."""
    store = setting.store
    bits = store.value if store.value is not None else store.changed.ones if store.changed else 0
    return bits & _ENABLE_AND_TICKINT if store.target == SYST_CSR else bits


def _in_steps(ticks: list[Enabled]) -> Enabled | None:
    """The last of the stores that each set a bit of what they read, if together they set both."""
    steps = [each for each in ticks if each.setting.store.value is None and _bits(each.setting)]
    bits = 0
    for each in steps:
        bits |= _bits(each.setting)
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
    "if no code is known to enable one; where code enables the tick interrupt or one of a device, requests PendSV or "
    "executes SVC, the core has its word by the layout, and that is a handler which returns (of a device one may go on "
    "for ever that no other word has).",
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
