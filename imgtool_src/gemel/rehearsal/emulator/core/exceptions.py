"""The exceptions of one core: which is taken now, what a return leads to, and where that never ends."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.m_profile.vector_tables import word_name
from gemel.rehearsal.emulator.core.exception_frames import chain, enter, leave
from gemel.rehearsal.emulator.system_space.interrupts import SECURE_FAULT, SUPERVISOR_CALL, TICK

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore

MAX_BAD_RETURNS = 100
"""Returns that do not fit, of one core: a handler that answers each with another one would go on without end."""

INTERRUPTS_A_LOOK = 4
"""Ticks and interrupts of thread code after which the device looks whether it is in the same state again."""

LIVELOCK = 5000
"""Times in a row that an exception is taken right after another one's return: thread code is starved.

So many times, too, a handler may return while its source goes on asking, whatever thread code does in between.
"""

CHAINED = 16
"""The same in a device that is in a state that it was in before."""


class CoreExceptions:
    """Takes a core's exceptions and returns from them.

    ``entered`` is when each was taken last, ``count`` how many were, faults included.
    """

    def __init__(self, core: EmulatedCore) -> None:
        self._core = core
        self._chained = self._chain_of = self._bad_returns = self._came = self.count = 0
        self.entered: dict[int, int] = {}
        self._returned_at = self._faulted_at = -1
        self._left = self._left_to = 0

    def take_due(self) -> None:
        """Take the exception that is pending, if one is."""
        core = self._core
        if not core.interrupts.pending:
            return
        number = core.interrupts.to_take(core.registers.masks)
        if number is not None:
            self._take(number)

    def call(self) -> None:
        """A supervisor call; it is a HardFault where priorities keep it from being taken."""
        core = self._core
        if core.interrupts.fault_target(SUPERVISOR_CALL, core.registers.masks) == SUPERVISOR_CALL:
            self._take(SUPERVISOR_CALL)
        else:
            core.fault("call-escalated", core.pc, {})

    def _take(self, number: int) -> None:
        core, interrupted = self._core, self._core.pc
        if (vector := core.system.non_secure_vector(number)) is not None:
            handler, words = core.bus.read_word(vector) or 0, {"need": f"{word_name(number)}, by NVIC_ITNS"}
            core.faults.stop("leaves-secure-state", interrupted, {"address": handler}, words)
            return
        core.sleep.interrupted(number)
        self.count += 1
        self.entered[number] = core.time
        if not core.interrupts.handler:
            if self._starves_threads(number):
                return
            self._look_for_same_state(number)
        if enter(core, number, interrupted):
            core.report("exception-taken", core.pc, {"number": number})
            if core.calls is not None:
                core.calls.enter_exception(interrupted)

    def _starves_threads(self, number: int, executed: int = 0) -> bool:
        """Thread code is interrupted; True if it never gets to do more than ``executed`` instructions any more."""
        core = self._core
        self._chained = self._chained + 1 if core.instructions - self._returned_at <= executed else 0
        # Of a tick that pends the switch of tasks, the tick.
        self._chain_of = max(number, self._chain_of) if self._chained else number
        return self._is_starved(LIVELOCK)

    def starves(self) -> bool:
        """Whether interrupts starve thread code in a device that repeats itself; that is a finding."""
        return self._chain_of > SECURE_FAULT and self._is_starved(CHAINED)

    def _is_starved(self, times: int) -> bool:
        if self._chained < times:
            return False
        self._core.faults.stop("interrupt-livelock", self._core.pc, {"number": self._chain_of})
        return True

    def _look_for_same_state(self, number: int) -> None:
        """Look at the device where a tick or an interrupt comes: there a state that repeats is the same soonest."""
        self._came += number >= TICK
        if self._came == INTERRUPTS_A_LOOK:
            self._came = 0
            self._core.device.look_soon()
            self._core.hand_over = True

    def take_fault(self, number: int, return_address: int, link: int = 0) -> None:
        """Take a fault's exception, in place of a return by ``link``; the caller has seen that it can be taken."""
        core = self._core
        self.count += 1
        self.entered[number] = core.time
        again, self._faulted_at = return_address == self._faulted_at, return_address
        # An instruction that faults may count as executed.
        if not core.interrupts.handler and self._starves_threads(number, 1 if again else 0):
            return
        taken = chain(core, number, link) if link else enter(core, number, return_address)
        if taken and core.calls is not None:
            core.calls.enter_exception(return_address)

    def leave(self, link: int) -> None:
        """Return from the running exception by a link value; what follows a return that cannot be is a fault."""
        core = self._core
        left = leave(core, link)
        if left is None:
            return
        number, to_thumb = left
        if core.interrupts.uncleared.get(number, 0) >= LIVELOCK:
            core.faults.stop("interrupt-livelock", core.pc, {"number": number})
            return
        core.sleep.event = True
        core.faults.recovered(number)
        self._returned_at, self._left, self._left_to = core.instructions, number, core.pc
        if not to_thumb:
            core.fault("invalid-state", core.pc, {"address": core.pc})
            return
        if not core.interrupts.active and core.system.sleeps_on_exit:
            core.sleep.begin()
            if not core.runs:
                self._returned_at = -1  # what wakes it takes nothing from thread code

    def left_to(self, address: int) -> dict[str, int]:
        """``unstacked``, the exception from which the core returned to ``address`` just now, if it did."""
        core = self._core
        returned = core.instructions - self._returned_at <= 1 and self._left_to == address
        return {"unstacked": self._left} if self._left and returned else {}

    def bad_vector(self, number: int, vector: int, return_address: int) -> None:
        """The vector of exception ``number``, which was just entered, is no code."""
        self._core.faults.take("bad-vector", return_address, {"number": number, "vector": vector})

    def cannot_return(self, kind: str, link: int, numbers: dict[str, int] | None = None) -> None:
        """A return by ``link`` that cannot be; a core that does nothing else is stopped."""
        core = self._core
        self._bad_returns += 1
        numbers = {"number": core.interrupts.handler, "link": link, **(numbers or {})}
        if self._bad_returns > MAX_BAD_RETURNS:
            core.faults.stop(kind, core.pc, numbers)
        else:
            core.faults.take(kind, core.pc, numbers, link=link)
