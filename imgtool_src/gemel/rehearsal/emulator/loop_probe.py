"""What a core that is in the same state again waits for: one more slice with every read looked at."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from gemel.m_profile.instructions.halfwords import is_return
from gemel.m_profile.instructions.memory_accesses import memory_access
from gemel.rehearsal.emulator.core.exception_frames import RETURN_MAGIC
from gemel.rehearsal.emulator.core.instruction_needs import is_sleep, is_wait_for_event
from gemel.rehearsal.emulator.device_events import EventLog
from gemel.rehearsal.emulator.loop_accesses import OWN_FRAME, Accesses, is_own, ticks_only_count
from gemel.rehearsal.emulator.loop_trials import WORD, as_before, awaited_bits, lacking_bits
from gemel.rehearsal.emulator.system_space.interrupts import SWITCHING, TICK, Masks
from gemel.rehearsal.emulator.system_space.memory_protection import PRIVATE

if TYPE_CHECKING:
    from collections.abc import Collection

    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore
    from gemel.rehearsal.emulator.device import Device


PROBED = 4096
"""Instructions that are looked at."""

HINTS = 8
"""Instructions YIELD, of which each ends a run, that are gone past there."""

SUPERVISOR = 0xDF
"""The upper byte of SVC."""

MAX_CIRCLE = 512
"""Instructions within which a core is in the same state again, while others go on."""


def probe_loops(device: Device) -> None:
    """Report for each core that runs in circles what it reads there: event ``loops``.

    Its numbers are ``register``, ``described`` and ``memory``, the first register that the layout does not
    describe, the first that it does, and the first word of RAM that it reads and does not change, if it reads any;
    ``counter`` where it changes all RAM that it reads, ``own`` the first of the core's own registers; ``other`` where
    that word is not the core's own; ``bits``, what would lead it out of the circle if that register (the undescribed
    one first) read it, and ``lacking`` those of them that a described one never reads; ``interrupts``, whether an
    interrupt could, ``ticks`` where only its own tick timer sends any, and ``counts`` where what that does is nothing
    to the circle.
    """
    for core in device.cores.values():
        if core.runs and not core.exceptions.starves():
            _probe(device, core)


def probe_busy(device: Device, endless: Collection[EmulatedCore]) -> None:
    """Report ``loops`` for each core that runs in a circle that no event ends, while other cores go on.

    Where an interrupt may come, or a described event, that is a circle that reads no memory but what another core
    writes, unless ticks only count elsewhere, and no register that by its description could end it; in a handler it is
    the former.  One that reads memory that a handler may write yet is reported as ``polls``.  Everything is as before
    afterwards.  Those that are ``endless`` are known to run in such a circle.
    """
    for core in device.cores.values():
        if core.runs and not core.exceptions.starves():
            with as_before(device, core):
                if core in endless:
                    _probe(device, core)
                    continue
                _go_where_open(device, core)
                disturbed = is_interruptible(core) or core.coming.next() is not None
                if _goes_round(device, core, disturbed):
                    _probe(device, core, disturbed)


def never_ends(device: Device, core: EmulatedCore) -> bool:
    """Let a core go on a little; whether it does the same for ever: nothing interrupts it or is changed for it.

    A device that may interrupt it may be off as yet, and be switched on by another core.
    """
    may_be_woken = core.interrupts.could_wake(core.registers.masks) and not core.registers.masks.primask
    if may_be_woken or is_interruptible(core):
        return False
    if core.sleep.waits_for_event or core.exceptions.left_threads_nothing:
        return False
    accesses = Accesses(core)
    with accesses.watched():
        again = _goes_round(device, core, disturbed=False)
    uses_own = not accesses.elsewhere and all(is_own(core, each) for each in accesses.read | accesses.written)
    return again and core.runs and uses_own and not is_interruptible(core)


def _go_where_open(device: Device, core: EmulatedCore) -> None:
    """Go on to where nothing is masked, if the core soon comes there: a loop may mask interrupts for a moment."""
    device.running = core
    for _ in range(MAX_CIRCLE):
        if not any(core.registers.masks) or not core.runs or _leaves_ram(core):
            break
        core.go(1)
    device.running = None


def probe_sleepers(device: Device) -> None:
    """Report ``polls`` for each core that whenever it is woken only looks at RAM, and sleeps again.

    For one that sleeps in a handler and looks at nothing that is ``sleeps-on``: it never returns.
    """
    for core in device.cores.values():
        if core.state == "sleeping" or (core.runs and core.sleep.lasts):
            with as_before(device, core):
                _probe_sleeper(device, core)


def _probe_sleeper(device: Device, core: EmulatedCore) -> None:
    core.state = "running"
    if not _comes_to_sleep(core):  # once, since what it did before it slept first may have left other values
        return
    place, accesses = core.pc, Accesses(core)
    with accesses.watched():
        again = _goes_round(device, core, disturbed=True, slept=True)
    memory = accesses.awaited
    if again and core.interrupts.handler:
        if not (accesses.read or accesses.elsewhere):
            device.report(core, "sleeps-on", place, {}, {})
    elif again and memory is not None and not accesses.elsewhere:
        numbers = {"memory": memory} if is_own(core, memory) else {"memory": memory, "other": 1}
        device.report(core, "polls", place, numbers, {})


def _comes_to_sleep(core: EmulatedCore) -> bool:
    """Go to after the WFI or WFE that a core comes to soon; False where it does not."""
    for _ in range(MAX_CIRCLE):
        first, second = core.instruction(core.pc)
        if is_sleep(first, second) or is_wait_for_event(first, second):
            core.pc += 4 if second else 2
            return True
        if _leaves_ram(core) or not core.go(1):
            return False
    return False


def _leaves_ram(core: EmulatedCore, uses_own: bool = False) -> bool:
    """Whether the next instruction does more than compute, read and use RAM.

    That is a call of a supervisor, a return from an exception, a store elsewhere, or an access to the core's own space,
    such as a read of its tick timer, unless it ``uses_own``.
    """
    first, second = core.instruction(core.pc)
    access = memory_access(first, second)
    if core.interrupts.handler and _goes_to(core, first, second) >= RETURN_MAGIC:
        return True
    if access is None:
        return first >> 8 == SUPERVISOR
    by = 0 if access.by is None else core.registers.value(access.by) << access.shift
    address = core.registers.value(access.base) + access.offset + by & WORD
    if PRIVATE.holds(address):
        return not uses_own
    located = core.bus.locate(address)
    return not access.loads and (located is None or located[0].plan.kind != "ram")


def _goes_to(core: EmulatedCore, first: int, second: int) -> int:
    """Where a return, by a register or by what is on the stack, leads to; 0 of another instruction."""
    if not is_return(first, second):
        return 0
    access = memory_access(first, second)
    if access is None:
        return core.registers.value(first >> 3 & 15)
    last = core.registers.value(access.base) + access.offset + 4 * (len(access.registers) - 1)
    return core.bus.read_word(last & WORD) or 0


def is_interruptible(core: EmulatedCore) -> bool:
    """Whether an interrupt that may come could interrupt what a core does."""
    can_interrupt = bool(core.sleep.could_be_ended_by()) or core.sleep.ticks_could_end()
    return can_interrupt and not core.registers.masks.primask


class _Open(NamedTuple):
    """What could end what a core does: external interrupts, its ticks; ``masked``: PRIMASK keeps them from that.

    ``slept``: it has slept meanwhile.
    """

    externals: set[int]
    ticks: bool
    masked: bool
    slept: bool = False


def _open_to(core: EmulatedCore) -> _Open:
    """What is open now, or, where the whole device repeats, at any time until it repeats: a moment says little."""
    since = core.device.repeats_since.get(core.plan.name, core.time + 1)
    slept = 0 < core.sleep.began >= since
    taken = {number for number, at in core.exceptions.entered.items() if at >= since}
    came = core.device.that_may_come(core, taken.intersection(core.interrupts.could_wake(Masks())))
    ticks = core.system.ticks.interrupts and (slept or TICK in taken)
    return _Open(
        core.sleep.could_be_ended_by() | came,
        core.sleep.ticks_could_end() or ticks or (slept and TICK in taken),
        bool(core.registers.masks.primask) and not (slept or came or TICK in taken),
        slept,
    )


def _goes_round(device: Device, core: EmulatedCore, disturbed: bool, slept: bool = False) -> bool:
    """Whether a core comes to the state that it is in again, with memory as it is; nothing that comes is let in.

    Where something may come, memory that is not the loop's own frame may not even change meanwhile: that may be work.

    A core that ``slept`` was woken here, and comes to where it slept.
    """
    import unicorn

    overwritten: dict[int, bytes] = {}
    stack, works = core.registers.stack, False

    def on_write(uc: Any, access: int, address: int, size: int, value: int, data: object) -> None:
        nonlocal works
        before = int.from_bytes(core.bus.read_bytes(address, size), "little")
        if disturbed and not 0 <= address - stack < OWN_FRAME:
            works = works or before != value & (1 << 8 * size) - 1
        for at in range(address, address + size):
            if at not in overwritten:
                overwritten[at] = core.bus.read_bytes(at, 1)

    def state() -> tuple[object, ...]:
        own = () if disturbed else core.system.state(core.time)
        return core.registers.snapshot(), own, device.registers.state()

    def is_again() -> bool:
        same = core.registers.snapshot() == began[0] and state() == began
        return same and all(core.bus.read_bytes(at, 1) == data for at, data in overwritten.items())

    hook = core.native.at_accesses(unicorn.UC_HOOK_MEM_WRITE, on_write)
    core.native.uc.ctl_flush_tb()
    began, again = state(), False
    device.running = core
    for _ in range(MAX_CIRCLE):
        first, second = core.instruction(core.pc)
        ends = disturbed or (core.sleep.by_event and core.sleep.could_be_ended_by())
        if ends and (is_sleep(first, second) or is_wait_for_event(first, second)):
            core.pc += 4 if second else 2
            again = slept and is_again()
            break
        if _leaves_ram(core, uses_own=not disturbed):
            break
        if disturbed:
            core.go(1)
        else:
            core.run(core.time + 1)
        again = is_again()
        if again or works or not core.runs:
            break
    device.running = None
    core.native.unhook(hook)
    return again and not works


def _probe(device: Device, core: EmulatedCore, disturbed: bool = False) -> None:
    before = {key: access.reads for key, access in device.registers.accesses.items()}
    accesses = Accesses(core)
    waits, waited = core.state == "waiting", core.sleep.waits
    place, opened = core.sleep.place, _open_to(core)
    device.running = core
    end = core.time + PROBED
    with accesses.watched():
        for _ in range(HINTS if disturbed else 0):
            if core.go(MAX_CIRCLE) or core.state != "waiting" or core.sleep.waits_for_event:
                break
        while not disturbed and core.runs and core.time < end:  # who waits for an event hands over before
            core.run(end)
    device.running = None
    if disturbed:
        _go_where_open(device, core)
    memory, numbers = accesses.awaited, _numbers_of(device, core, accesses, before)
    # Where the whole device repeats, the other core does too, so that no interrupt will come from it.
    enabled, by_tick, masked, slept = opened if disturbed else _open_to(core)
    from_outside = enabled.difference(() if disturbed else device.plan.lines_between(core.plan.name))
    wakes = core.sleep.by_event and (waits or core.sleep.waits > waited)
    can_interrupt = (from_outside or by_tick) and (wakes or not masked)
    numbers["interrupts"] = int(can_interrupt)
    if (enabled or by_tick) and masked and not wakes:
        numbers["masked"] = 1
    if "memory" in numbers and not is_own(core, numbers["memory"]):
        numbers["other"] = 1
    if can_interrupt and not from_outside:
        numbers["ticks"] = 1
    register = numbers.get("register", numbers.get("described"))
    if register is not None and device.plan.goals and memory is not None and accesses.is_in_frame(memory):
        del numbers["memory"]
    if register is not None and (bits := awaited_bits(device, core, register)) is not None:
        numbers["bits"] = bits  # and what code wrote there: bits that ever were one, and last
        port = device.registers.accesses[core.plan.name, register]
        numbers["ones"], numbers["written"] = port.ones & WORD, port.last_written & WORD
        if "register" not in numbers and (lacking := lacking_bits(device, core, register, bits)):
            numbers["lacking"] = lacking
    if disturbed and "other" in numbers and register is None:
        pass  # it waits for another core, whatever comes
    elif (
        disturbed
        and core.interrupts.handler
        and not ("memory" in numbers and core.interrupts.handler in SWITCHING)
    ):
        return
    elif slept or (memory is None and core.sleep.waits_for_event):
        pass  # it idles, whatever its ticks do
    elif "ticks" in numbers and "described" not in numbers and _only_counts(device, core, accesses.read):
        numbers["counts"] = 1
    elif disturbed and ("memory" in numbers or ("described" in numbers and "lacking" not in numbers)):
        if "memory" in numbers and register is None:
            device.report(core, "polls", place, numbers, {})
        return
    by_wfe = waits and core.sleep.waits_for_event
    device.report(core, "loops", place, numbers, {"waits": "WFE"} if by_wfe else {})


def _numbers_of(
    device: Device, core: EmulatedCore, accesses: Accesses, before: dict[tuple[str, int], int]
) -> dict[str, int]:
    """What a core reads in a loop; ``before`` is how often each register was read before it."""
    numbers: dict[str, int] = {}
    if accesses.awaited is not None:
        numbers["memory"] = accesses.awaited
    elif accesses.only_counts:
        numbers["counter"] = 1
    if accesses.own is not None:
        numbers["own"] = accesses.own
    for (name, address), access in sorted(device.registers.accesses.items()):
        if name == core.plan.name and access.reads > before.get((name, address), 0):
            numbers.setdefault("described" if device.registers.known(address) else "register", address)
    return numbers


def _only_counts(device: Device, core: EmulatedCore, read: set[int]) -> bool:
    """As ``ticks_only_count``; everything is as before afterwards."""
    interrupts, entered, log = core.interrupts, core.exceptions.entered, device.log
    kept = interrupts.handler, {*interrupts.pending}, [*interrupts.active]
    device.log, core.exceptions.entered = EventLog(device.plan), {**entered}
    with as_before(device, core):
        counts = ticks_only_count(device, core, read)
        interrupts.handler, interrupts.pending, interrupts.active = kept
    device.log, core.exceptions.entered = log, entered
    return counts
