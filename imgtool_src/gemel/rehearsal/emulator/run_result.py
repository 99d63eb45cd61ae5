"""What a device's run gives: plain data for those who judge it; and calls, from a second run."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING

from gemel.rehearsal.emulator.core.call_stack import threads
from gemel.rehearsal.emulator.system_space.interrupts import FIRST_EXTERNAL, TICK, Masks
from gemel.rehearsal.kinds import ERRORS, UNJUDGED, WARNINGS
from gemel.rehearsal.plan import MAX_SHARED
from gemel.rehearsal.raw_run import RawAccess, RawCore, RawEvent, RawRun
from gemel.structs import replace

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore
    from gemel.rehearsal.emulator.device import Device

MAX_BLOCKS = 100_000
"""Addresses of executed blocks that are passed on."""

GAP = 128
"""Untouched bytes that end a stack: what is below them is something else."""


LATELY = 1_000_000
"""Instructions before the end of a run within which a task that goes on executes."""

MAX_STACK, UNUSED_WORDS = 1 << 16, 8
"""Bytes below a process stack pointer that are looked at, and words of one value that were not used."""


def result_of(device: Device, ended: str) -> RawRun:
    """The run of ``device``, which ended for the reason ``ended``."""
    return RawRun(
        events=tuple(device.log.events),
        cores=tuple(_core_result(device, core, ended) for core in device.cores.values()),
        accesses=tuple(
            RawAccess(
                core, address, a.reads, a.writes, a.first_pc, a.last_value, device.registers.known(address)
            )
            for (core, address), a in sorted(device.registers.accesses.items())
        ),
        texts=dict(device.registers.serial.texts),
        goals=tuple(device.reached_goals),
        ended=ended,
        time=min(
            max(device.schedule.common(core, core.time) for core in device.cores.values()), device.ends_at
        ),
        executed=sum(core.instructions for core in device.cores.values()),
        notes=tuple(_notes(device)),
        shared={
            area: device.memories[memory].read(offset, min(size, MAX_SHARED)).hex()
            for area, memory, offset, size in device.plan.shared
        },
        trace=device.trace.result() if device.trace is not None else None,
        writes=tuple(device.registers.writes),
        held=tuple(
            device.memories[goal.word[0]].word(goal.word[1]) if goal.word else 0 for goal in device.plan.goals
        ),
    )


def _notes(device: Device) -> Iterator[str]:
    """What the run could not show, in words."""
    if device.log.dropped:
        yield f"{device.log.dropped:,} further events were left out"
    for core in device.cores.values():
        for used in sorted(core.system.used):
            yield f"{core.plan.name}: {used}"


def _core_result(device: Device, core: EmulatedCore, ended: str) -> RawCore:
    common = partial(device.schedule.common, core)
    interrupted_at = max(
        (at for number, at in core.exceptions.entered.items() if number >= TICK), default=None
    )
    touched = {}
    for name, memory, offset, size in core.plan.own_ram:
        touched[name] = device.memories[memory].touched(offset, size)
    interrupts, masks = core.interrupts, core.registers.masks
    return RawCore(
        core.plan.name,
        core.state,
        core.instructions,
        core.sleep.place,
        tuple(sorted(core.blocks.starts)[:MAX_BLOCKS]),
        core.initial_stack,
        _lowest_stack(core),
        touched,
        tuple(
            (high, _lowest_used(core, low), low, common(time), at)
            for high, low, time, at in core.stack_watch.process_stacks
        ),
        tuple(sorted(core.sleep.could_be_ended_by())),
        core.sleep.ticks_could_end(),
        tuple(_handlers(device, core)),
        core.faults.open[-1][0] if core.faults.open else 0,
        common(core.sleep.began) if core.sleep.began else 0,
        None if interrupted_at is None else common(interrupted_at),
        interrupts.most_urgent() or 0,
        tuple(sorted(interrupts.pending)),
        tuple(sorted(interrupts.enabled)),
        tuple(sorted(core.exceptions.entered)),
        tuple(
            (number, interrupts.group(interrupts.priority(number))) for number in sorted(interrupts.pending)
        ),
        (masks.primask, interrupts.group(masks.basepri), masks.faultmask),
        interrupts.execution_priority(Masks()),
        core.system.ticks.settings(),
        left=core.exceptions.left(),
        threads=tuple(
            replace(each, time=common(each.time)) for each in threads(core, _lately(device, core, ended))
        ),
    )


def _lately(device: Device, core: EmulatedCore, ended: str) -> int:
    """When the last part of a run began, in which what goes on executes."""
    if ended == "asleep":
        return core.time
    return device.repeats_since.get(core.plan.name, max(core.time // 2, core.time - LATELY))


def _handlers(device: Device, core: EmulatedCore) -> Iterator[tuple[int, int, int, int]]:
    """The exceptions whose handlers run, when each was entered, its vector, and how many vectors are the same.

    None that comes and goes in a state that repeats.
    """
    since = device.repeats_since.get(core.plan.name, core.time)
    table = core.bus.read_bytes(core.system.vector_table, 4 * (FIRST_EXTERNAL + core.plan.interrupts))
    vectors = [word for (word,) in struct.iter_unpack("<I", table[: len(table) & ~3])]
    for number in core.interrupts.active:
        entered = core.exceptions.entered.get(number, 0)
        if entered <= since:
            vector = vectors[number] if number < len(vectors) else 0
            yield number, device.schedule.common(core, entered), vector, vectors.count(vector)


def _lowest_used(core: EmulatedCore, low: int) -> int:
    """The lowest address of a process stack that was used.

    From the lowest pointer seen down to words that hold one value, as what clears or paints a stack leaves them.
    """
    located = core.bus.locate(low)
    others = [high for high, *_ in core.stack_watch.process_stacks if high < low]
    if located is None:
        return low
    memory, offset = located
    lowest = max(low - offset, low - MAX_STACK, *others)
    return low - offset + memory.uniform_below(offset - (low - lowest), offset, UNUSED_WORDS)


def _lowest_stack(core: EmulatedCore) -> int | None:
    """The lowest address of its main stack that was used.

    From the lowest stack pointer seen down to the first longer stretch that nobody wrote, or painted with one value.
    """
    top, bottom, seen = core.initial_stack, core.plan.stack_limit, core.stack_watch.lowest_main
    if top is None or bottom is None or bottom >= top:
        return None
    located = core.bus.locate(bottom)
    if located is None:
        return None
    memory, offset = located
    start = max(bottom, min(top, seen if seen is not None else top))
    below = offset + start - bottom
    used = max(memory.untouched_below(offset, below, GAP), memory.uniform_below(offset, below, UNUSED_WORDS))
    return bottom + used - offset


def with_calls(result: RawRun, exact: RawRun) -> RawRun:
    """``result`` with the calls that a second run, which may end earlier, has followed."""
    count = min(len(exact.events), len(result.events))
    if [_what(event) for event in exact.events[:count]] != [_what(event) for event in result.events[:count]]:
        return replace(result, notes=(*result.notes, "calls are not shown: a second run differed"))
    events = tuple(
        replace(event, calls=other.calls)
        for event, other in zip(result.events[:count], exact.events[:count], strict=True)
    )
    return replace(result, events=events + result.events[count:])


def is_finding(event: RawEvent) -> bool:
    """Whether an event is a finding."""
    return (
        event.kind in ERRORS or event.kind in WARNINGS or event.kind in UNJUDGED
    ) and "recovered" not in event.numbers


def _what(event: RawEvent) -> tuple[str, str, int | None, int]:
    return event.core, event.kind, event.pc, event.time
