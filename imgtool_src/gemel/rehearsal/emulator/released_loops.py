"""Cores that no interrupt reaches and that still go on: what another core writes, or the own timer, ends their wait.

The device goes on past the end of its run.  A core waits where it reads and changes the same again and again while the
other cores stand still, and reads what is not its own and what it does not change.  Where that changes, the core does
something else, and comes to wait for it again, it has an idle state that something ends; one that only looks from time
to time at what nobody changes has none.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from gemel.rehearsal.emulator.loop_accesses import Accesses, is_own
from gemel.rehearsal.emulator.loop_probe import is_interruptible
from gemel.rehearsal.emulator.system_space.registers import TICK_CONTROL
from gemel.spans import Span, merge

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore
    from gemel.rehearsal.emulator.device import Device
    from gemel.rehearsal.emulator.registers.register_port import Reader, RegisterPort

FOLLOWED = 4_000_000
"""What the device goes on for each core, at most as long as its budget: in instructions, exceptions and sleeps too."""

AN_EXCEPTION = 1000
"""Instructions that an exception counts as: about what it takes to emulate."""

WINDOWS = (4096, 32768, 262144)
"""Instructions of a core in which it does the same as in as many before, where it waits."""

MAX_LOOKS = 256
"""Windows of one core that are looked at."""

TURN = 1000
"""Instructions of a core, after which what another one waits for may have changed."""

FOR_GOOD = 1 << 40
"""Time for which a core stands still."""


def released_cores(device: Device, endless: Collection[EmulatedCore]) -> set[str]:
    """The cores whose wait ends, and that come to wait again; the device has changed then.

    Where nothing does that by itself, each interrupt from outside that another core would take comes once.  Those that
    are ``endless`` wait for nothing.
    """
    waiting = [
        _Follower(device, core)
        for core in device.cores.values()
        if core.runs and core not in endless and not (core.interrupts.handler or is_interruptible(core))
    ]
    released: set[str] = set()
    for from_outside in (False, True):
        for follower in waiting:
            if follower.name not in released and follower.is_released(from_outside):
                released.add(follower.name)
    return released


class _Follower:
    """Follows one core, ``name``."""

    def __init__(self, device: Device, core: EmulatedCore) -> None:
        self._device, self._core, self.name = device, core, core.plan.name
        self._looks, self._ends_at = 0, 0
        self._period = core.time - device.repeats_since[self.name] if device.repeats_since else FOR_GOOD
        """Instructions after which it does the same again, where the whole device repeats."""
        self._accesses = Accesses(core)
        self._awaited: set[int] = set()
        self._window = WINDOWS[0]
        self._values: dict[int, set[int]] = {}
        """What the core has read in described registers, since it is followed."""
        self._registers: set[int] = set()
        """The registers that it reads in a window."""
        self._new_value = False

    def is_released(self, from_outside: bool) -> bool:
        """Whether its wait ends, or by interrupts ``from_outside`` does, and it comes to wait again."""
        self._looks, self._ends_at = 0, self._spent() + min(FOLLOWED, self._device.plan.budget)
        released: set[int] = set()
        with self._registers_watched():
            while self._comes_to_wait():
                if self._awaited & released:
                    return True
                if not self._awaited:
                    if self._works_by_timer():
                        return True
                elif not (self._changes_by_interrupt() if from_outside else self._changes(2 * self._period)):
                    return False
                elif self._does_something_else():
                    released |= self._awaited
        return False

    # -- the wait ------------------------------------------------------------------------------------

    def _comes_to_wait(self) -> bool:
        """Go on until the core, alone, reads and changes nothing new."""
        for self._window in WINDOWS:
            first, second = self._alone(), self._alone()
            if first is None or second is None:
                return False
            self._accesses = second
            self._awaited = self._registers | {
                at for at in second.read - second.changed if not is_own(self._core, at)
            }
            same = second.read <= first.read and second.changed <= first.changed
            if same and (self._awaited or self._by_timer):
                return True
            if same and self._window >= self._period:
                return False
            if not self._go_on(self._window):
                return False
        return False

    def _alone(self) -> Accesses | None:
        """What the core does in a window of time while the others stand still; None where it does not go on."""
        core, accesses = self._core, Accesses(self._core)
        self._looks += 1
        self._registers = set()
        end = core.time + self._window
        with accesses.watched():
            while core.time < end:
                if not self._may_go_on() or core.interrupts.handler:
                    return None
                self._device.run(core, min(end, core.time + TURN))
        return accesses

    @property
    def _by_timer(self) -> bool:
        """Whether the core polls the flag of its own timer."""
        return self._accesses.own == TICK_CONTROL

    def _works_by_timer(self) -> bool:
        """Whether the core, which polls its own timer, changes something in its next period."""
        self._go_on(self._core.system.ticks.settings()[1])
        works = self._alone()
        return works is not None and self._changed_besides(works, set())

    def _changed_besides(self, works: Accesses, steady: set[int]) -> bool:
        return any(not works.is_on_stack(at) for at in works.changed - steady)

    # -- its end -------------------------------------------------------------------------------------

    def _changes(self, time: int, limit: int = FOLLOWED) -> bool:
        """Let the device go on until another core changes what this one waits for, for so much ``time`` at most.

        Where the core changes nothing meanwhile that others see, it stands still: then they soon come to that.
        """
        core, changed = self._core, self._accesses.changed
        places = merge([Span(at, 1) for at in self._awaited - self._values.keys()])
        before = [core.bus.read_bytes(each.start, each.size) for each in places]
        end, stopped_at = min(self._ends_at, self._spent() + limit), core.time
        common = self._device.schedule.common
        until = common(core, core.time + time)
        self._new_value = False
        stands = not self._accesses.elsewhere and all(is_own(core, at) for at in changed)
        if stands:
            core.time += FOR_GOOD
        came, now = False, 0
        while not came and self._may_go_on() and self._spent() < end and now < until:
            following = self._device.schedule.next_core()
            if following is None or (stands and following is core):
                break
            self._run(following)
            now = common(following, following.time)
            came = self._new_value or before != [
                core.bus.read_bytes(each.start, each.size) for each in places
            ]
        if stands:
            core.time = max(stopped_at, self._device.schedule.on_core(core, now))
        return came

    def _changes_by_interrupt(self) -> bool:
        """As ``_changes``, with each interrupt from outside that another core would take."""
        for core in self._device.cores.values():
            if core is self._core or core.state in ("reset", "locked up", "stopped"):
                continue
            between = self._device.plan.lines_between(core.plan.name)
            for number in sorted(core.sleep.could_be_ended_by().difference(between)):
                core.interrupts.pend(number)
                if self._changes(FOR_GOOD, 2 * self._window):
                    return True
        return False

    def _does_something_else(self) -> bool:
        """Whether the core soon changes what it does not change while it waits."""
        works = Accesses(self._core)
        with works.watched():
            return self._go_on(2 * self._window, lambda: self._changed_besides(works, self._accesses.changed))

    def _go_on(self, time: int, until: Callable[[], bool] | None = None) -> bool:
        """Let the device go on for so much ``time`` of the core, and whether it did; or ``until`` that is so."""
        end = self._core.time + time
        while self._may_go_on() and self._core.time < end:
            following = self._device.schedule.next_core()
            if following is None:
                return False
            self._run(following)
            if until is not None and until():
                return True
        return until is None and self._may_go_on()

    def _may_go_on(self) -> bool:
        goes_on = self._core.runs and not self._device.to_restart
        return goes_on and self._looks <= MAX_LOOKS and self._spent() < self._ends_at

    def _spent(self) -> int:
        cores = self._device.cores.values()
        return sum(
            core.instructions + core.sleep.spent + AN_EXCEPTION * core.exceptions.count for core in cores
        )

    def _run(self, following: EmulatedCore) -> None:
        turn = self._device.schedule.limit(following)
        limit = following.time + TURN
        self._device.run(following, limit if turn is None else min(limit, turn))

    # -- registers -----------------------------------------------------------------------------------

    @contextmanager
    def _registers_watched(self) -> Iterator[None]:
        """Note in ``_values`` what the core reads in described registers."""
        readers: list[tuple[RegisterPort, Reader]] = []
        for (name, address), port in self._device.registers.accesses.items():
            if name == self.name and port.reader is not None:
                readers.append((port, port.reader))
                port.reader = self._watched(address, port.reader)
        yield
        for port, reader in readers:
            port.reader = reader

    def _watched(self, address: int, reader: Reader) -> Reader:
        """Reads as ``reader``, and stops the core at a value of what it waits for that it has not read before."""
        values = self._values[address] = set()

        def read(core: str) -> int:
            value = reader(core)
            self._registers.add(address)
            if value not in values:
                values.add(value)
                if address in self._awaited:
                    self._new_value = self._core.hand_over = True
                    self._core.stop_soon()
            return value

        return read
