"""What the layout describes of a device, in words: what changes a register, what raises an interrupt."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.layout.rehearsal_model import DeviceEvent, RehearsalPlan
from gemel.m_profile.vector_tables import FIRST_INTERRUPT
from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.raw_run import RawCore
from gemel.rehearsal.verdict.code_names import CodeNames


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


def _when(event: DeviceEvent, names: CodeNames) -> str:
    """When an event comes."""
    if event.after_write is not None:
        when = f"{event.delay:,} instructions after a write to {names.register(event.after_write)}"
    else:
        when = f"every {event.every or 0:,} instructions"
    if event.enabled_at is not None:
        when += f" while bits 0x{event.enable_bits:X} of {names.register(event.enabled_at)} are set"
    return when if event.clear_at is None else f"{when}, until {names.register(event.clear_at)} clears them"


def interrupts_that_do_not_come(plan: DevicePlan, core: RawCore, names: CodeNames) -> str:
    """What to do about interrupts that the core has enabled and nothing raises, or that come and are not enabled."""
    numbers = {number - FIRST_INTERRUPT for number in core.could_wake}
    raised = {
        each.interrupt
        for each in plan.registers.events
        if each.core == core.name and each.interrupt is not None
    }
    between = {
        each.interrupt + (0 if each.shared_line else bit)
        for each in plan.registers.interrupts
        if each.receiver == core.name
        for bit in range(32)
        if each.mask >> bit & 1
    }
    hints = [
        f"interrupt {number} is enabled, and nothing in the layout raises it: add [[rehearsal.event]] "
        f'core = "{core.name}", interrupt = {number}, and every or after_write'
        for number in sorted(numbers - raised - between)[:1]
    ]
    hints += [
        f"interrupt {number}, which the layout describes, is not enabled"
        for number in sorted(raised - numbers)[:1]
    ]
    if core.interrupted_at is None:
        never = [
            each for each in plan.registers.events if each.core == core.name and each.interrupt in numbers
        ]
        hints += [
            f"interrupt {each.interrupt} was never taken; it comes {_when(each, names)}" for each in never[:1]
        ]
    return "; ".join(hints)
