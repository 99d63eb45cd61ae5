"""What the layout describes of a device, in words: what changes a register, what raises an interrupt."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from gemel.layout.rehearsal_model import DeviceEvent, RehearsalPlan
from gemel.m_profile.vector_tables import FIRST_INTERRUPT
from gemel.rehearsal.emulator.registers.device_registers import DEVICE_BLOCK
from gemel.rehearsal.emulator.system_space.interrupts import TICK
from gemel.rehearsal.emulator.system_space.registers import TICK_CONTROL, TICK_RELOAD
from gemel.rehearsal.emulator.system_space.tick_timer import ENABLE, INTERRUPT
from gemel.rehearsal.emulator.system_space.units import CYCLE_CONTROL, DEBUG_CONTROL
from gemel.rehearsal.plan import CorePlan, DevicePlan
from gemel.rehearsal.raw_run import RawAccess, RawCore, RawRun
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.words import held_back
from gemel.spans import format_address
from gemel.text.wrapping import first_of

MAX_PROPOSED = 2
"""Registers that may say which core reads them, of which a finding speaks."""

MAX_ZEROS = 4
"""Registers that read zero of which a finding speaks."""

MAX_LOOKS = 64
"""Reads of a register up to which it may be one that says which core reads it; more poll it."""

UNREAD_PERIODS = 10
"""Periods of a tick timer after which nobody will read it who has not yet."""

SET_ENABLE = 0xE000_E100
"""NVIC_ISER0 (DDI 0553, "Interrupt Set Enable Register")."""


def what_changes(plan: RehearsalPlan, register: int, names: CodeNames) -> str:
    """What the layout says of a register that it describes; empty where that is not said in a few words."""
    return "; ".join(_sentences(plan, register, names))


def _sentences(plan: RehearsalPlan, register: int, names: CodeNames) -> Iterator[str]:
    for constant in plan.constants:
        if constant.at & ~3 == register:
            yield f"it always reads 0x{constant.value:X}"
    for sequence in plan.sequences:
        if sequence.at & ~3 == register:
            values = ", ".join(f"0x{value:X}" for value in sequence.values[-4:])
            yield f"it {'repeats' if sequence.repeat else 'ends with'} the values {values}"
    for held in plan.held:
        if held.at & ~3 == register:
            yield f"bits 0x{held.writable:X} read what code writes, the others 0x{held.reset & ~held.writable:X}"
    for pair in plan.set_clear:
        if pair.value_at & ~3 == register:
            by = f"{names.register(pair.set_at)} and clears by {names.register(pair.clear_at)}"
            yield f"it reads the bits that code sets by {by}"
    for ready in plan.ready:
        if ready.at & ~3 == register:
            enable = f"bits 0x{ready.follow_bits:X} of {names.register(ready.follow_at)} are set"
            yield f"bits 0x{ready.bits:X} read one while {enable}"
    for event in plan.events:
        if event.status_at is not None and event.status_at & ~3 == register:
            yield f"bits 0x{event.status_bits:X} read one {_when(event, names)}"


def values_by_core(plan: DevicePlan, run: RawRun, names: CodeNames) -> list[str]:
    """What to add where one of the registers that every core reads which has started holds the number of the core.

    Those are registers that nothing describes, that nobody writes, and that nobody polls: they read zero.  A primary
    that started no other core with that has another number.  One that is read as often as a register near it is only
    written reports whether that one, such as a serial port, is ready.
    """
    started = {core.name for core in run.cores if core.state != "reset"}
    ordered = sorted(plan.cores, key=lambda core: core.primary is (len(started) == 1))
    values = ", ".join(f"{core.name} = {number}" for number, core in enumerate(ordered))
    found = []
    for register in sorted({each.address for each in run.accesses if not each.known}):
        used = [each for each in run.accesses if each.address == register]
        looked = {each.core for each in used if each.reads <= MAX_LOOKS and not each.writes}
        if looked == started and not any(_reports_on_another(each, run) for each in used):
            found.append(
                f"if {names.register(register)}, which reads zero, holds the core's number, add to the layout:\n"
                f"[[rehearsal.by_core]]\nat = 0x{register:X}\nvalues = {{ {values} }}"
            )
    return found[:MAX_PROPOSED]


def read_as_zero(run: RawRun, core: str, names: CodeNames) -> str:
    """Registers that a core reads and the layout does not describe."""
    found = [each.address for each in run.accesses if each.core == core and each.reads and not each.known]
    return first_of([names.register(each) for each in found], MAX_ZEROS)


def bits_not_kept(plan: RehearsalPlan, run: RawRun, core: str, names: CodeNames) -> str:
    """A register that a core wrote and read back, and of which the layout lets it change some of these bits only."""
    read = {each.address for each in run.accesses if each.core == core and each.reads}
    for held in plan.held:
        written = [value for name, at, value in run.writes if (name, at) == (core, held.at & ~3)]
        lost = written[-1] ^ held.reset if written and held.at & ~3 in read else 0
        if lost & ~held.writable:
            reads = held.reset & ~held.writable | written[-1] & held.writable
            return f"{names.register(held.at)} reads 0x{reads:X} after a write of 0x{written[-1]:X}"
    return ""


def _reports_on_another(status: RawAccess, run: RawRun) -> bool:
    return any(
        each.core == status.core
        and each.address // DEVICE_BLOCK == status.address // DEVICE_BLOCK
        and 1 < each.writes <= status.reads
        and not each.reads
        for each in run.accesses
    )


def _when(event: DeviceEvent, names: CodeNames) -> str:
    if event.after_write is not None:
        when = f"{event.delay:,} instructions after a write to {names.register(event.after_write)}"
    else:
        when = f"every {event.every or 0:,} instructions"
    if event.enabled_at is not None:
        when += f" while bits 0x{event.enable_bits:X} of {names.register(event.enabled_at)} are set"
    return when if event.clear_at is None else f"{when}, until {names.register(event.clear_at)} clears them"


def raised_by(plan: DevicePlan, core: str, exception: int, names: CodeNames) -> str:
    """What raises an interrupt, in brackets: another core, or a device by its register's name; empty if unknown."""
    if sender := plan.lines_between(core).get(exception):
        return f" (from core {sender})"
    registers = (
        register
        for each in plan.registers.events
        if each.core == core and each.interrupt == exception - FIRST_INTERRUPT
        for register in (each.status_at, each.clear_at, each.enabled_at, each.after_write)
        if register is not None
    )
    return next((f" ({name})" for name in map(names.register_name, registers) if name), "")


def _left_out(event: DeviceEvent, run: RawRun, names: CodeNames) -> str:
    """The register that code would have to write for an event, where no core does."""
    needed = event.enabled_at if event.after_write is None else event.after_write
    written = {each.address for each in run.accesses if each.writes}
    return f", and nobody writes {names.register(needed)}" if needed and needed & ~3 not in written else ""


def interrupts_that_do_not_come(
    plan: DevicePlan, run: RawRun, core: RawCore, names: CodeNames, besides: int = 0
) -> str:
    """What to do about interrupts that the core has enabled and nothing raises, or that come and are not enabled.

    Not of exception ``besides``, and not of an event that the core polls, or whose registers it never touches.
    """
    taken = {number - FIRST_INTERRUPT for number in core.taken}
    used = {each.address for each in run.accesses if each.core == core.name}
    polled = {each.address for each in run.accesses if each.core == core.name and each.reads}
    numbers = {number - FIRST_INTERRUPT for number in core.enabled if number >= FIRST_INTERRUPT}
    pending = {number - FIRST_INTERRUPT for number in core.pending if number >= FIRST_INTERRUPT}
    raised = {
        each.interrupt
        for each in plan.registers.events
        if each.core == core.name and each.interrupt is not None
        if each.interrupt in numbers
        or (
            (each.interrupt in pending or used & {each.after_write, each.enabled_at, each.clear_at})
            and (each.status_at is None or each.status_at & ~3 not in polled)
        )
    }
    between = {number - FIRST_INTERRUPT for number in plan.lines_between(core.name)}
    described = {each.interrupt for each in plan.registers.events if each.core == core.name}
    # At the end of a budget the core may be about to read the timer.
    looked_for = core.tick[0] and TICK not in core.taken and run.ended != "budget"
    no_ticks = unused_ticks(core, run) or (looked_for and why_no_ticks(core))
    hints = [no_ticks] if no_ticks else []
    hints += [
        f"interrupt {number} was never taken: {why_not_taken(core, FIRST_INTERRUPT + number)}"
        for number in sorted(pending - numbers - between - described - taken)[:1]
    ]
    hints += [
        f"interrupt {number} is enabled, and nothing in the layout raises it: add to the layout:\n"
        f'[[rehearsal.event]]\ncore = "{core.name}"\ninterrupt = {number}\n'
        "every = 1000 # or after_write = the register whose write starts it"
        for number in sorted(numbers - raised - between - taken - pending)[:1]
    ]
    never = (raised | between) - taken - {besides - FIRST_INTERRUPT}
    hints += [
        f"interrupt {number} was never taken: {why_not_taken(core, FIRST_INTERRUPT + number)}"
        for number in sorted(never & (pending | (raised - numbers)))[:1]
    ]
    hints += [
        f"interrupt {each.interrupt} was never raised; it comes {_when(each, names)}{_left_out(each, run, names)}"
        for each in plan.registers.events
        if each.core == core.name and each.interrupt in never & numbers - pending
    ][:1]
    return "; ".join(lines_last(hints))


def lines_last(hints: Sequence[str]) -> list[str]:
    """What is to be done, lines of a layout after sentences."""
    return sorted(filter(None, hints), key=lambda each: "\n" in each)


def or_else(hint: str, other: str) -> str:
    """Two ways out, the second one after lines of a layout in a line of its own."""
    return f"{hint}\nelse {other}" if "\n" in hint else f"{hint}, or {other}"


def why_not_taken(core: RawCore, number: int) -> str:
    """What keeps an exception from being taken that is pending, or not enabled."""
    state = "it is pending" if number in core.pending else "it never became pending"
    if number >= FIRST_INTERRUPT and number not in core.enabled:
        word, bit = divmod(number - FIRST_INTERRUPT, 32)
        return f"{state}, and not enabled (bit {bit} of NVIC_ISER{word}, {format_address(SET_ENABLE + 4 * word)})"
    return f"{state} and {masked_by(core, number)}"


def unused_ticks(core: RawCore, run: RawRun) -> str:
    """What keeps a tick timer from interrupting that is set up and that nobody reads; empty if nothing does.

    At the end of a budget one that counts may still be read, unless many of its periods went by.
    """
    control, reload, polled = core.tick
    may_be_read = run.ended == "budget" and control & ENABLE and run.time < UNREAD_PERIODS * reload
    return "" if not reload or polled or may_be_read or TICK in core.taken else why_no_ticks(core)


def why_no_ticks(core: RawCore) -> str:
    """What keeps the tick timer from interrupting; empty if nothing does."""
    control, reload, polled = core.tick
    if not control & ENABLE:
        state = f"is set up (SYST_RVR is {reload:,}), and off" if reload else "is off"
        return f"SysTick {state} (bit 0 of SYST_CSR, {format_address(TICK_CONTROL)})"
    if not reload:
        return f"SysTick stands still: its reload value is 0 (SYST_RVR, {format_address(TICK_RELOAD)})"
    if not (control & INTERRUPT or polled):
        return f"SysTick counts and does not interrupt (bit 1 of SYST_CSR, {format_address(TICK_CONTROL)})"
    return ""


def why_no_cycles(core: CorePlan) -> str:
    """What keeps the cycle counter from counting: Armv6-M and Armv8-M Baseline have none (DDI 0419, DDI 0553)."""
    if core.architecture in ("armv6-m", "armv8-m.base"):
        return f"a core of {core.architecture} has no cycle counter, and reads zero: count by SysTick"
    control, debug = format_address(CYCLE_CONTROL), format_address(DEBUG_CONTROL)
    return f"let it count: set bit 24 of DEMCR ({debug}), then bit 0 of DWT_CTRL ({control})"


def masked_by(core: RawCore, number: int) -> str:
    """What keeps an exception that is pending and enabled from being taken."""
    runs = core.handlers[-1][0] if core.handlers else 0
    return held_back(dict(core.priorities).get(number, 0), core.masks, runs, core.runs_at)
