"""How one core sleeps and waits (WFI, WFE), what wakes it, and what could."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

from gemel.rehearsal.emulator.core.instruction_needs import is_sleep, is_wait, is_wait_for_event
from gemel.rehearsal.emulator.system_space.interrupts import TICK, Masks

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore

PATIENCE, MAX_WAIT = 64, 256
"""Waits without an event that are executed as they stand; then WFE lasts longer, up to so many instructions."""


A_SLEEP, A_WAIT, A_HINT = 4000, 128, 32
"""Instructions that a sleep, a WFE that lasts, or a YIELD counts as in the budget: some of what it takes to emulate."""


class _Round(NamedTuple):
    """A core at a wait: ``rest`` is None where its registers alone were compared, ``changed`` whether any of it was."""

    time: int
    registers: tuple[int, ...]
    rest: tuple[object, ...] | None
    changed: bool


class CoreSleep:
    """The sleep of one core.

    ``event`` is its event register, which ends a WFE; ``began`` when it slept last; ``spent`` what its sleeps count as;
    ``waits`` how many waits there were, one after the other, that nothing ended, ``_waited_at`` where it went on;
    ``_round`` what the last of them that cost no time found.
    """

    def __init__(self, core: EmulatedCore) -> None:
        self._core = core
        self.event = False
        self.began = self.spent = self.waits = self._waited_at = 0
        self._round: _Round | None = None

    def begin(self) -> None:
        """WFI: nothing if an exception would wake the core at once."""
        core = self._core
        core.coming.advance(core.time)
        if core.interrupts.wakes(core.registers.masks) is None:
            self.waits = 0
            core.state, self.began = "sleeping", core.time
            self.spent += A_SLEEP
            core.report("sleeps", core.pc)
        else:
            self._waited_at = core.pc
            self._goes_on()

    def end(self, now: int) -> None:
        """A sleeping core's time comes: it runs again if an exception wakes it."""
        core = self._core
        core.time = max(core.time, now)
        core.coming.advance(core.time)
        number = core.interrupts.wakes(core.registers.masks)
        if number is not None:
            core.state = "running"
            core.report("woken", core.pc, {"number": number})

    def wait(self) -> bool:
        """WFE: go on at once where an event came, else after a while; YIELD: a hint, which costs what it executes.

        False where the instruction in front of the program counter is neither.
        """
        core = self._core
        front = core.bus.read_bytes(core.pc - 4, 4)
        if not _size_at_end(front, is_wait):
            return False
        core.state, self._waited_at = "waiting", core.pc
        if not _size_at_end(front, is_wait_for_event):
            self._goes_on()
        elif self.event:
            self.event = False
        else:
            self._lasts()
        return True

    def _lasts(self) -> None:
        """WFE without an event: a core that does little else takes its time."""
        core = self._core
        self.waits += 1
        if self.waits > PATIENCE:
            self.spent += A_WAIT
            coming, pause = core.coming.next(), min(self.waits - PATIENCE, MAX_WAIT)
            core.time += pause if coming is None else max(0, min(pause, coming - core.time))
            core.hand_over = True

    def _goes_on(self) -> None:
        """YIELD, or WFI that an exception ends at once.

        Where all is as at the last one, it will be so again until something comes or another core has its turn: whole
        rounds up to then are left out.  Rounds that change something count as more than they execute.
        """
        core, last = self._core, self._round
        registers, rest, changed = core.registers.snapshot(), None, True
        if last is not None and last.registers == registers and last.time < core.time:  # not of a look ahead
            rest = self._rest()
            changed = last.rest not in (None, rest)
            if rest == last.rest:
                core.time += self._whole(core.time - last.time)
        if changed and last is not None and last.changed:
            self.spent += A_HINT
            core.device.ends_at -= A_HINT
        self._round = _Round(core.time, registers, rest, changed)

    def _rest(self) -> tuple[object, ...]:
        """All that may decide what the core does next, besides its registers and the time."""
        core = self._core
        memories = core.device.memories.values()
        return (
            core.registers.float_snapshot(),
            core.system.state(0),
            core.device.registers.state(),
            [each.read(0, each.plan.size) for each in memories if each.plan.kind == "ram"],
        )

    def _whole(self, period: int) -> int:
        """How long as many whole rounds last as there are before something comes, or the core's turn ends."""
        core = self._core
        ends = [core.until, core.coming.next(), core.system.ticks.next_zero()]
        left = min(each for each in ends if each is not None) - core.time
        return max(0, left // period * period)

    @property
    def place(self) -> int:
        """The address of WFI or WFE where the core sleeps or waits there, else of its next instruction."""
        core = self._core
        asks = {"sleeping": is_sleep, "waiting": is_wait}.get(core.state)
        return core.pc - (self._size_in_front(core.pc, asks) if asks else 0)

    def _size_in_front(self, address: int, asks: Callable[[int, int], bool]) -> int:
        """The size of the instruction in front of ``address`` if it is what ``asks`` looks for, else 0."""
        return _size_at_end(self._core.bus.read_bytes(address - 4, 4), asks)

    @property
    def lasts(self) -> bool:
        """Whether the core has slept, or waits for an event: it may do so again soon."""
        return bool(self.began) or self.waits_for_event

    @property
    def waits_for_event(self) -> bool:
        """Whether the last wait that nothing ended was WFE."""
        return self.waits > 0 and self._size_in_front(self._waited_at, is_wait_for_event) > 0

    @property
    def by_event(self) -> bool:
        """Whether the core waits for an event, which an interrupt is that becomes pending, masked or not."""
        return self._core.system.pending_is_event and self.waits_for_event

    def interrupted(self, number: int) -> None:
        """An exception is taken, which is an event; the core's own tick is nothing that it waited for."""
        self.event = True
        if number != TICK:
            self.waits = 0

    def wakes_at(self) -> int | None:
        """When a sleeping core may wake by itself; None if only others can wake it."""
        core = self._core
        if core.interrupts.pending and core.interrupts.wakes(core.registers.masks) is not None:
            return core.time
        coming = core.coming.next()
        return None if coming is None else max(coming, core.time)

    def could_be_ended_by(self) -> set[int]:
        """The external interrupts that could wake the core, or interrupt what it does.

        Of a core that waits for an event that is any that is enabled, and what the layout lets another core raise.
        """
        core, by_event = self._core, self.by_event
        masks = Masks() if by_event else core.registers.masks
        found = core.device.that_may_come(core, core.interrupts.could_wake(masks))
        return found | {*core.device.plan.lines_between(core.plan.name)} if by_event else found

    def ticks_could_end(self) -> bool:
        """Whether its tick timer will wake the core, or interrupt what it does."""
        core = self._core
        unmasked = core.registers.masks._replace(primask=0)
        return core.system.ticks.interrupts and core.interrupts.can_preempt(TICK, unmasked)


def _size_at_end(code: bytes, asks: Callable[[int, int], bool]) -> int:
    """The size of the instruction that four bytes of code end with if it is what ``asks`` looks for, else 0."""
    if len(code) < 4:
        return 0
    first, second = code[0] | code[1] << 8, code[2] | code[3] << 8
    return 2 if asks(second, 0) else 4 if asks(first, second) else 0
