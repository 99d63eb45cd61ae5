"""What a core that is in the same state again waits for: one more slice with every read looked at."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, NamedTuple

from gemel.m_profile.halfwords import modified_constant, wide_immediate
from gemel.m_profile.memory_accesses import memory_access
from gemel.rehearsal.emulator.core.instruction_needs import is_sleep, is_wait_for_event
from gemel.rehearsal.emulator.device_events import EventLog
from gemel.rehearsal.emulator.system_space.interrupts import TICK, Masks
from gemel.rehearsal.emulator.system_space.memory_protection import PRIVATE
from gemel.rehearsal.emulator.tick_probe import is_own, ticks_only_count

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.backing import Backing
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore
    from gemel.rehearsal.emulator.device import Device


PROBED = 4096
"""Instructions that are looked at."""

WORD = 0xFFFF_FFFF
SUPERVISOR = 0xDF
"""The upper byte of SVC."""

LONGEST_CIRCLE = 512
"""Instructions within which a core is in the same state again, while others go on."""

OWN_FRAME = 256
"""Bytes from the stack pointer on in which a core that polls a register has variables of its own."""

CALLS = 1024
"""Bytes below the stack pointer that calls use."""

CIRCLE = 256
"""Instructions within which a circle is gone round, or left."""


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


def probe_busy(device: Device) -> None:
    """Report ``loops`` for each core that runs in a circle that no event ends, while other cores go on.

    Where an interrupt may come, or a described event, that is a circle that reads no memory but what another core
    writes, unless ticks only count elsewhere, and no register that by its description could end it; in a handler it is
    the former.  One that reads memory that a handler may write yet is reported as ``polls``.  Everything is as before
    afterwards.
    """
    for core in device.cores.values():
        if core.runs:
            with _as_before(device, core):
                _go_where_open(device, core)
                disturbed = is_interruptible(core) or core.coming.next() is not None
                if _goes_round(device, core, disturbed):
                    _probe(device, core, disturbed)


def _go_where_open(device: Device, core: EmulatedCore) -> None:
    """Go on to where nothing is masked, if the core soon comes there: a loop may mask interrupts for a moment."""
    device.running = core
    for _ in range(LONGEST_CIRCLE):
        if not any(core.registers.masks) or not core.runs or _leaves_ram(core):
            break
        core.go(1)
    device.running = None


def probe_sleepers(device: Device) -> None:
    """Report ``polls`` for each core that whenever it is woken only looks at RAM, and sleeps again."""
    for core in device.cores.values():
        if (core.state == "sleeping" or (core.runs and core.sleep.lasts)) and not core.interrupts.handler:
            with _as_before(device, core):
                _probe_sleeper(device, core)


def _probe_sleeper(device: Device, core: EmulatedCore) -> None:
    core.state = "running"
    if not _comes_to_sleep(core):  # once, since what it did before it slept first may have left other values
        return
    place, accesses = core.pc, Accesses(core)
    with accesses.watched():
        again = _goes_round(device, core, disturbed=True, slept=True)
    memory = accesses.awaited
    if again and memory is not None and not accesses.elsewhere:
        numbers = {"memory": memory} if is_own(core, memory) else {"memory": memory, "other": 1}
        device.report(core, "polls", place, numbers, {})


def _comes_to_sleep(core: EmulatedCore) -> bool:
    """Go to after the WFI or WFE that a core comes to soon; False where it does not."""
    for _ in range(LONGEST_CIRCLE):
        first, second = core.instruction(core.pc)
        if is_sleep(first, second) or is_wait_for_event(first, second):
            core.pc += 4 if second else 2
            return True
        if _leaves_ram(core) or not core.go(1):
            return False
    return False


@contextmanager
def _as_before(device: Device, core: EmulatedCore) -> Iterator[None]:
    """What a core does meanwhile is taken back."""
    kept = core.time, core.instructions, core.state, core.pc
    registers, memories, masks = core.registers.snapshot(), _ram(device), core.registers.masks
    yield
    core.time, core.instructions, core.state, core.pc = kept
    core.registers.take_back(registers)
    if not core.unprivileged:  # which cannot have changed them
        core.registers.set_masks(masks)
    for memory, data in memories:
        memory.write(0, data)


def _ram(device: Device) -> list[tuple[Backing, bytes]]:
    return [
        (each, each.read(0, each.plan.size)) for each in device.memories.values() if each.plan.kind == "ram"
    ]


def _leaves_ram(core: EmulatedCore, reads_own: bool = False) -> bool:
    """Whether the next instruction does more than compute, read and use RAM.

    That is a call of a supervisor, a store elsewhere, or a read of the core's own space, such as of its tick timer,
    unless it ``reads_own``.
    """
    first, second = core.instruction(core.pc)
    access = memory_access(first, second)
    if access is None:
        return first >> 8 == SUPERVISOR
    by = 0 if access.by is None else core.registers.value(access.by) << access.shift
    address = core.registers.value(access.base) + access.offset + by & WORD
    located = core.bus.locate(address)
    return (
        PRIVATE.holds(address) and not reads_own
        if access.loads
        else located is None or located[0].plan.kind != "ram"
    )


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
    for _ in range(LONGEST_CIRCLE):
        first, second = core.instruction(core.pc)
        ends = disturbed or (core.sleep.by_event and core.sleep.could_be_ended_by())
        if ends and (is_sleep(first, second) or is_wait_for_event(first, second)):
            core.pc += 4 if second else 2
            again = slept and is_again()
            break
        if _leaves_ram(core, reads_own=not disturbed):
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


class Accesses:
    """What a core reads in a loop: ``read`` all bytes of RAM, ``own`` the first of its own registers.

    ``changed`` are the bytes to which it gives another value, and registers that it writes; ``elsewhere``: whether it
    reads what is no memory.
    """

    def __init__(self, core: EmulatedCore) -> None:
        self._core, self._within, self._stack = core, core.interrupts.handler, core.registers.stack
        self.read: set[int] = set()
        self.own: int | None = None
        self.elsewhere = False
        self._words: dict[int, None] = {}
        self.changed: set[int] = set()

    @contextmanager
    def watched(self) -> Iterator[None]:
        """Look at what the core does meanwhile."""
        import unicorn

        core = self._core
        kinds = unicorn.UC_HOOK_MEM_READ | unicorn.UC_HOOK_MEM_WRITE
        self._write = unicorn.UC_MEM_WRITE
        hook = core.native.at_accesses(kinds, self._on_access)
        core.native.uc.ctl_flush_tb()
        yield
        core.native.unhook(hook)

    def _on_access(self, uc: Any, access: int, address: int, size: int, value: int, data: object) -> None:
        located = self._core.bus.locate(address)
        by_loop = self._core.interrupts.handler == self._within  # not by an interrupt that comes meanwhile
        if access == self._write:
            before = int.from_bytes(self._core.bus.read_bytes(address, size), "little")
            # Clearing a flag that is clear changes nothing; a write to a register may.
            if by_loop and (located is None or before != value & (1 << 8 * size) - 1):
                self.changed.update(range(address, address + size))
        elif located and located[0].plan.kind == "ram":
            self.read.update(range(address, address + size))
            if by_loop:
                self._words.setdefault(address)
        elif located is None:
            self.elsewhere = True
            if PRIVATE.holds(address) and self.own is None:
                self.own = address

    @property
    def only_counts(self) -> bool:
        """Whether all RAM that the loop reads it changes itself, as its counters."""
        return bool(self._words) and self.awaited is None

    @property
    def awaited(self) -> int | None:
        """The first word of RAM that the loop reads and does not change; one in a frame if there is no other."""
        words = [each for each in self._words if each not in self.changed]
        return min(words, key=self.is_in_frame, default=None)

    def is_in_frame(self, address: int) -> bool:
        """Whether it is a variable of the function's own."""
        return 0 <= address - self._stack < OWN_FRAME

    def is_on_stack(self, address: int) -> bool:
        """Whether it is a variable of the function's own, or of what it calls."""
        return -CALLS <= address - self._stack < OWN_FRAME and is_own(self._core, address)


def _probe(device: Device, core: EmulatedCore, disturbed: bool = False) -> None:
    numbers: dict[str, int] = {}
    before = {key: access.reads for key, access in device.registers.accesses.items()}
    accesses = Accesses(core)
    waits, waited = core.state == "waiting", core.sleep.waits
    place, opened = core.sleep.place, _open_to(core)
    device.running = core
    end = core.time + PROBED
    with accesses.watched():
        if disturbed:
            core.go(LONGEST_CIRCLE)
        while not disturbed and core.runs and core.time < end:  # who waits for an event hands over before
            core.run(end)
    device.running = None
    if disturbed:
        _go_where_open(device, core)
    memory = accesses.awaited
    if memory is not None:
        numbers["memory"] = memory
    elif accesses.only_counts:
        numbers["counter"] = 1
    if accesses.own is not None:
        numbers["own"] = accesses.own
    for (name, address), access in sorted(device.registers.accesses.items()):
        if name == core.plan.name and access.reads > before.get((name, address), 0):
            numbers.setdefault("described" if device.registers.known(address) else "register", address)
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
    if register is not None and (bits := _awaited(device, core, register)) is not None:
        numbers["bits"] = bits  # and what code wrote there: bits that ever were one, and last
        port = device.registers.accesses[core.plan.name, register]
        numbers["ones"], numbers["written"] = port.ones & WORD, port.last_written & WORD
        if "register" not in numbers and (lacking := _lacking(device, core, register, bits)):
            numbers["lacking"] = lacking
    if disturbed and "other" in numbers and register is None:
        pass  # it waits for another core, whatever comes
    elif disturbed and core.interrupts.handler:
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


def _only_counts(device: Device, core: EmulatedCore, read: set[int]) -> bool:
    """As ``ticks_only_count``; everything is as before afterwards."""
    kept = core.time, core.instructions, core.state, core.pc, core.interrupts.handler, device.log
    registers, memories = core.registers.snapshot(), _ram(device)
    pending, active, entered = (
        {*core.interrupts.pending},
        [*core.interrupts.active],
        {**core.exceptions.entered},
    )
    device.log = EventLog(device.plan)
    counts = ticks_only_count(device, core, read)
    core.time, core.instructions, core.state, core.pc, core.interrupts.handler, device.log = kept
    core.interrupts.pending, core.interrupts.active, core.exceptions.entered = pending, active, entered
    core.registers.take_back(registers)
    for memory, data in memories:
        memory.write(0, data)
    return counts


class _Trials:
    """What a core does where a register reads other values; core and memories are as before after each trial."""

    def __init__(self, device: Device, core: EmulatedCore, register: int) -> None:
        self._core, self._memories = core, _ram(device)
        self._port = device.registers.accesses[core.plan.name, register]
        self._circle: set[int] = set()
        self.compared: set[int] = set()
        self.leaves(None)

    def leaves(self, value: int | None) -> bool:
        """Whether ``value`` leads the core out of its circle; None learns the circle, and what it compares with."""
        port, core = self._port, self._core
        kept = port.reader, port.reads, port.last_value, core.time, core.instructions, core.state, core.pc
        registers = core.registers.snapshot()
        if value is not None:
            port.reader = lambda _core: value
        left = _leaves(core, self._circle, self.compared if value is None else None)
        port.reader, port.reads, port.last_value, core.time, core.instructions, core.state, core.pc = kept
        core.registers.take_back(registers)
        for memory, data in self._memories:
            memory.write(0, data)
        return left


def _awaited(device: Device, core: EmulatedCore, register: int) -> int | None:
    """The value of ``register`` that leads the core out of its circle, of as few bits as do; None if none is found.

    Tried are single bits, all bits less those that do not matter, and what the circle compares with.
    """
    trials = _Trials(device, core, register)
    for value in (0, *(1 << bit for bit in range(32))):
        if trials.leaves(value):
            return value
    if not trials.leaves(WORD):
        return next((value for value in sorted(trials.compared) if trials.leaves(value)), None)
    value = WORD
    for bit in range(32):
        if trials.leaves(value & ~(1 << bit)):
            value &= ~(1 << bit)
    return value


def _lacking(device: Device, core: EmulatedCore, register: int, bits: int) -> int:
    """The bits of ``bits`` that ``register`` never reads by its description; 0 if what it may read ends the circle."""
    shown = device.registers.values_shown(register)
    trials = _Trials(device, core, register)
    if not shown or any(trials.leaves(value) for value in shown):
        return 0
    return bits & ~max(shown, key=int.bit_count)


def _leaves(core: EmulatedCore, circle: set[int], compared: set[int] | None) -> bool:
    """Whether the core comes to an instruction outside ``circle`` soon.

    With ``compared`` it learns instead: the instructions, and the values that they compare with.
    """
    import unicorn

    left = False

    def on_code(uc: Any, address: int, size: int, data: object) -> None:
        nonlocal left
        if compared is not None:
            circle.add(address)
            compared.update(_compared(core, *core.instruction(address)))
        elif address not in circle:
            left = True
            core.blocks.suspect = address  # the emulator stops for no sleep
            uc.emu_stop()

    uc = core.native.uc
    hook = uc.hook_add(unicorn.UC_HOOK_CODE, on_code)
    uc.ctl_flush_tb()
    end = core.time + CIRCLE
    while core.time < end and core.runs and not left:
        before = core.time
        core.go(end - before)
        left = left or core.blocks.suspect is not None
        core.blocks.suspect = None
        if core.time == before:
            break
    uc.hook_del(hook)
    uc.ctl_flush_tb()
    return left and compared is None


def _compared(core: EmulatedCore, first: int, second: int) -> Iterator[int]:
    """What CMP compares with: its constant, or what both registers hold."""
    if first & 0xF800 == 0x2800:
        yield first & 0xFF
    elif first & 0xFFC0 == 0x4280:
        yield from (core.registers.value(first & 7), core.registers.value(first >> 3 & 7))
    elif first & 0xFF00 == 0x4500:
        yield from (core.registers.value(first >> 4 & 8 | first & 7), core.registers.value(first >> 3 & 0xF))
    elif first & 0xFBF0 == 0xF1B0 and second & 0x8F00 == 0x0F00:
        yield modified_constant(wide_immediate(first, second))
