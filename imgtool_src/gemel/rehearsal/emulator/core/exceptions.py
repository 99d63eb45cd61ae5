"""The exceptions of one core: which is taken now, what a return leads to, and where that never ends."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.m_profile.instructions.halfwords import instructions, is_return
from gemel.m_profile.vector_tables import word_name
from gemel.rehearsal.emulator.core.exception_frames import (
    FROM_PROCESS_STACK,
    THREAD_MODE,
    chain,
    enter,
    leave,
)
from gemel.rehearsal.emulator.core.stack_watch import MAX_BELOW
from gemel.rehearsal.emulator.system_space.interrupts import (
    HARD_FAULT,
    SECURE_FAULT,
    SUPERVISOR_CALL,
    TICK,
    Masks,
)
from gemel.structs import NamedTuple

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

TAIL = 16
"""Instructions from the return of a handler to the supervisor call that is a part of it."""

RETURN = 0x4770
"""BX of the link register."""

MAX_HANDLER = 1024
"""Bytes of code of a handler in which it is looked for where it was left."""

MAX_HANDLER_STACK = 1 << 16
"""Bytes below where a handler began that are looked at for its link value."""

CHAINED = 16
"""The same in a device that is in a state that it was in before."""

CHAINED_AT_END = 100
"""The same for half of a run that ends with its budget."""


class Began(NamedTuple):
    """The main stack pointer and the link value with which a handler began, and where it is."""

    stack: int
    link: int
    handler: int


class CoreExceptions:
    """Takes a core's exceptions and returns from them.

    ``entered`` is when each was taken last, ``count`` how many were, faults included.
    """

    def __init__(self, core: EmulatedCore) -> None:
        self._core = core
        self._chained = self._chain_of = self._bad_returns = self._came = self.count = 0
        self._thread_ran = 0
        self.entered: dict[int, int] = {}
        self.began: dict[int, Began] = {}
        self._branched: dict[int, tuple[int, int]] = {}
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
            left = self.left()
            number, masks = core.interrupts.handler, core.registers.masks
            if left:
                numbers = self._with_vector(number)
                numbers |= {"from": left[0], "to": left[1], "popped": left[2]}
            else:
                group, own = core.interrupts.group, core.interrupts.priority(SUPERVISOR_CALL)
                numbers = {"priority": group(own), "runs": number, "basepri": group(masks.basepri)}
                numbers |= {"primask": masks.primask, "faultmask": masks.faultmask}
                numbers["runs_at"] = core.interrupts.execution_priority(Masks())
            core.fault("call-escalated", core.pc, numbers)

    def _with_vector(self, number: int) -> dict[str, int]:
        """The number of an exception, and its vector."""
        vector = self._core.bus.read_word(self._core.system.vector_table + 4 * number)
        return {"number": number, "vector": vector or 0}

    def _take(self, number: int) -> None:
        core, interrupted = self._core, self._core.pc
        if (vector := core.system.non_secure_vector(number)) is not None:
            handler, words = core.bus.read_word(vector) or 0, {"need": f"{word_name(number)}, by NVIC_ITNS"}
            core.faults.stop("leaves-secure-state", interrupted, {"address": handler}, words)
            return
        core.sleep.interrupted(number)
        self.count += 1
        self.entered[number] = core.time
        if not core.interrupts.handler and not self._ends_handler(number):
            if self._starves_threads(number):
                return
            self._look_for_same_state(number)
        before = core.stack_in_use() if core.calls is not None else None
        if enter(core, number, interrupted):
            core.report("exception-taken", core.pc, {"number": number})
            if core.calls is not None and before is not None:
                core.calls.enter_exception(interrupted, core.registers.stacks[before.process], before)

    def _ends_handler(self, number: int) -> bool:
        """Whether a handler goes on in a supervisor call, as of kernels that return to thread mode with a mask set."""
        executed = self._core.instructions - self._returned_at
        return number == SUPERVISOR_CALL and executed <= TAIL and any(self._core.registers.masks)

    def _starves_threads(self, number: int, executed: int = 0) -> bool:
        """Thread code is interrupted; True if it never gets to do more than ``executed`` instructions any more."""
        core = self._core
        if core.instructions - self._returned_at <= executed:
            self._chained += 1
        else:
            self._chained, self._thread_ran = 0, core.time
        # Of a tick that pends the switch of tasks, the tick.
        self._chain_of = max(number, self._chain_of) if self._chained else number
        return self._is_starved(LIVELOCK)

    @property
    def left_threads_nothing(self) -> bool:
        """Whether the last exception came before thread code did any more."""
        return self._chained > 0

    def starves(self) -> bool:
        """Whether interrupts starve thread code in a device that repeats itself, or ran long; that is a finding."""
        core = self._core
        for_long = core.time - self._thread_ran > (core.time - core.started) // 2
        repeats = bool(core.device.repeats_since)
        times = CHAINED if repeats else CHAINED_AT_END
        return self._chain_of > SECURE_FAULT and (repeats or for_long) and self._is_starved(times)

    def _is_starved(self, times: int) -> bool:
        if self._chained < times:
            return False
        self._core.faults.stop("interrupt-livelock", self._core.pc, self._with_vector(self._chain_of))
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
        before = core.stack_in_use() if core.calls is not None else None
        taken = chain(core, number, link) if link else enter(core, number, return_address)
        if taken and core.calls is not None and before is not None:
            before = before._replace(in_handler=before.in_handler or bool(link))
            core.calls.enter_exception(return_address, core.registers.stacks[before.process], before)

    def leave(self, link: int) -> None:
        """Return from the running exception by a link value; what follows a return that cannot be is a fault."""
        core = self._core
        left = leave(core, link)
        if left is None:
            return
        number, to_thumb = left
        if core.interrupts.uncleared.get(number, 0) >= LIVELOCK:
            core.faults.stop("interrupt-livelock", core.pc, self._with_vector(number))
            return
        core.sleep.event = True
        core.faults.recovered(number)
        self._returned_at, self._left, self._left_to = core.instructions, number, core.pc
        if not to_thumb:
            core.fault("invalid-state", core.pc, {"address": core.pc, "unstacked": number})
            return
        if not core.interrupts.active and core.system.sleeps_on_exit:
            core.sleep.begin()
            self._returned_at = -1  # what comes next takes nothing from thread code

    def begins(self, number: int, link: int, handler: int) -> None:
        """The handler of exception ``number`` begins."""
        began = self.began[number] = Began(self._core.registers.stack, link, handler)
        if link & THREAD_MODE:
            self._core.stack_watch.handler_begins(began.stack if link & FROM_PROCESS_STACK else 0)

    def comes_to_block(self, address: int, last: int, size: int) -> None:
        """From a callback: code comes to ``address`` after the block of ``size`` bytes at ``last``.

        A handler that has nothing on its stack any more, and returns as a function does, is left by that.
        """
        core = self._core
        number = core.interrupts.handler
        if number not in self.began or core.registers.stack < self.began[number].stack:
            return
        if not 0 <= last - self.began[number].handler < MAX_HANDLER:
            return
        for at, first, second in instructions(core.bus.read_bytes(last, size)):
            returns = first == RETURN or (is_return(first, second) and first & 0xFF80 != 0x4700)
            if returns and at + (4 if second else 2) == size:
                self._branched[number] = last + at, address

    def left(self) -> tuple[int, ...]:
        """From where to where the handler that runs was left by a branch that is no return from its exception.

        Zeros where that was not seen; and whether its frame was popped.  Empty where the handler may still return, as
        its link value is in a register or on its stack, or has not been left.
        """
        core = self._core
        number, stack = core.interrupts.handler, core.registers.stack
        if number not in self.began:
            return ()
        began, link, _ = self.began[number]
        kept = core.bus.read_bytes(stack, began - stack) if 0 < began - stack <= MAX_HANDLER_STACK else b""
        if link in core.registers.snapshot()[:15] or link.to_bytes(4, "little") in kept:
            return ()
        popped = 0 < stack - began <= MAX_BELOW and not core.stack_moves.elsewhere
        branched = self._branched.get(number)
        return (*(branched or (0, 0)), int(popped)) if branched or popped else ()

    def left_to(self, address: int) -> dict[str, int]:
        """``unstacked``, the exception from which the core returned to ``address`` just now, if it did."""
        core = self._core
        returned = core.instructions - self._returned_at <= 1 and self._left_to == address
        return {"unstacked": self._left} if self._left and returned else {}

    def bad_vector(self, number: int, vector: int | None, return_address: int) -> None:
        """The vector of exception ``number``, which was just entered, is no code, or (None) in no memory."""
        table = self._core.system.vector_table
        held = {"table": table} if vector is None else {"vector": vector}
        self._core.faults.take(
            "bad-vector", return_address, {"number": number, **held, **self.misplaced(number)}
        )

    def misplaced(self, number: int) -> dict[str, int]:
        """Where code put its vector table, if VTOR dropped bits of that; empty where it is the same all the same.

        It is where there is a handler of ``number``, and not where there is none of a HardFault.
        """
        system = self._core.system
        table, asked = system.vector_table, system.asked_table
        if asked is None or not (self._is_handler(asked, number) or not self._is_handler(table, HARD_FAULT)):
            return {}
        return {"table": table, "written": asked}

    def _is_handler(self, table: int, number: int) -> bool:
        """Whether the vector of ``number`` in a table is code of the core."""
        handler = self._core.bus.read_word(table + 4 * number) or 0
        return bool(handler & 1) and self._core.may_execute(handler & ~1)

    def cannot_return(self, kind: str, link: int, numbers: dict[str, int] | None = None) -> None:
        """A return by ``link`` that cannot be; a core that does nothing else is stopped."""
        core = self._core
        self._bad_returns += 1
        numbers = {"number": core.interrupts.handler, "link": link, **(numbers or {})}
        if self._bad_returns > MAX_BAD_RETURNS:
            core.faults.stop(kind, core.pc, numbers)
        else:
            core.faults.take(kind, core.pc, numbers, link=link)
