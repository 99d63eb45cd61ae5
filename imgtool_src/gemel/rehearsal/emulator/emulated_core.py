"""One core in the emulator: started, run up to a time, stopped at what needs more than the emulator does.

The emulator executes code natively and stops only where something is decided here:

- at each write to the private peripheral space, since it may let an exception be taken;
- at WFI, WFE, SVC, at faults and at returns from exceptions, where it stops by itself;
- at instructions that change a mask (CPSIE, MSR), but only while an exception is pending and held off: then
  their addresses are exits of the emulator;
- before a new block that has to be looked at (``code_blocks``).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from gemel.m_profile.halfwords import instructions
from gemel.rehearsal.emulator.backing import Backing
from gemel.rehearsal.emulator.call_stack import CallStack
from gemel.rehearsal.emulator.code_blocks import CodeBlocks
from gemel.rehearsal.emulator.code_stops import CodeStops
from gemel.rehearsal.emulator.core_bus import CoreBus, DeviceSide
from gemel.rehearsal.emulator.core_faults import CoreFaults
from gemel.rehearsal.emulator.core_registers import PRIVILEGE, PROCESS_STACK, CoreRegisters
from gemel.rehearsal.emulator.exception_frames import RETURN_MAGIC, enter, leave
from gemel.rehearsal.emulator.instruction_needs import is_as_user, is_wait
from gemel.rehearsal.emulator.interrupts import (
    HARD_FAULT,
    NMI,
    SUPERVISOR_CALL,
    TICK,
    Interrupts,
)
from gemel.rehearsal.emulator.native import CLEAR_EXCLUSIVE, Native
from gemel.rehearsal.emulator.protected_access import ProtectedAccess
from gemel.rehearsal.emulator.stack_watch import StackWatch
from gemel.rehearsal.emulator.system_space import ALIGNMENT_TRAP, DIVISION_TRAP, SystemSpace
from gemel.rehearsal.plan import CorePlan

EXCEPTION_EXIT, CALL = 8, 2
MAX_BAD_RETURNS = 100
"""Returns that do not fit, of one core: a handler that answers each with another one would go on without end."""

LIVELOCK = 5000
"""Times in a row that an exception is taken right after another one's return: thread code is starved."""

PATIENCE, LONGEST_WAIT = 64, 256
"""WFE without an event that are executed as they stand; then they last longer, up to so many instructions."""


class EmulatedCore:
    """A core.  ``state`` is reset, running, waiting (at WFE), sleeping (at WFI), locked up or stopped.

    ``time`` counts instructions from the primary's reset, sleep included; ``instructions`` those executed.
    """

    def __init__(
        self, plan: CorePlan, backings: dict[str, Backing], device: DeviceSide, goals: tuple[int, ...]
    ) -> None:
        import unicorn

        self.plan, self.device = plan, device
        self.state = "reset"
        self.pc = self.time = self.instructions = 0
        self.hand_over = self.event = False
        self.returned_to_thumb = True
        self.calls: CallStack | None = None
        self.initial_stack: int | None = None
        self._block_hook: int | None = None
        self.executing = False
        self._interrupt: int | None = None
        self.handler_since = self._chained = self._waits = 0
        self._returned_at = -1
        self._bad_returns = 0
        self._inbox: list[tuple[int, int, Callable[[int], None]]] = []
        self._scheduled = 0
        self.native = Native(
            plan.emulated_as, [*(each.span for each in plan.windows), *(span for span, _ in plan.devices)]
        )
        self.registers = CoreRegisters(self.native)
        few = plan.architecture in ("armv6-m", "armv8-m.base")
        self.interrupts = Interrupts(plan.interrupts, 2 if few else 8)
        self.system = SystemSpace(
            plan, self.interrupts, self.now, self._system_event, self._changed, self.registers.float_active
        )
        self.blocks = CodeBlocks(
            plan,
            lambda address, size: self.bus.read_bytes(address, size),
            lambda: self.system.float_unit_on,
            lambda address: self.bus.was_loaded(address),
        )
        self.faults = CoreFaults(self)
        self.stack_watch = StackWatch(self)
        self.bus = CoreBus(self, backings, device)
        self.guard = ProtectedAccess(self)
        self.stops = CodeStops(self, goals)
        self._unicorn: Any = unicorn
        self.native.uc.hook_add(unicorn.UC_HOOK_INTR, self._on_interrupt)
        self.native.uc.hook_add(unicorn.UC_HOOK_EDGE_GENERATED, self.stops.new_block)

    # -- what others ask -----------------------------------------------------------------------------

    def now(self) -> int:
        """The time: while the core executes, that of its current instruction."""
        return self.time + (self.native.begun - 1 if self.executing else 0)

    def may_execute(self, address: int) -> bool:
        """Whether there is code of this core at ``address``."""
        return self.blocks.executable(address)

    @property
    def negative_priority(self) -> bool:
        """Whether HardFault or NMI runs, or FAULTMASK makes thread code as urgent."""
        active = self.interrupts.active
        return HARD_FAULT in active or NMI in active or bool(self.registers.masks.faultmask)

    @property
    def runs(self) -> bool:
        """Whether it executes instructions."""
        return self.state in ("running", "waiting")

    @property
    def on_main_stack(self) -> bool:
        """Whether the main stack pointer is the one in use."""
        return bool(self.interrupts.active) or not self.registers.control & PROCESS_STACK

    @property
    def unprivileged(self) -> bool:
        """Whether code runs without privilege now."""
        if not self.blocks.sets_control or self.interrupts.active:
            return False
        return bool(self.registers.control & PRIVILEGE)

    def accesses_as_user(self) -> bool:
        """From a callback: whether the current instruction is a load or store as unprivileged code does it."""
        return is_as_user(*self.instruction(self.registers.pc & ~1))

    def could_wake(self) -> set[int]:
        """The external interrupts that could wake it, or interrupt what it does."""
        return self.interrupts.could_wake(self.registers.masks)

    def ticks_could_wake(self) -> bool:
        """Whether its tick timer will wake it, or interrupt what it does."""
        unmasked = self.registers.masks._replace(primask=0)
        return self.system.ticks.interrupts and self.interrupts.can_preempt(TICK, unmasked)

    def wakes_at(self) -> int | None:
        """When a sleeping core may wake by itself; None if only others can wake it."""
        if self.interrupts.pending and self.interrupts.wakes(self.registers.masks) is not None:
            return self.time
        coming = self._next_event()
        return None if coming is None else max(coming, self.time)

    def set_line(self, number: int, high: bool) -> None:
        """The source of an external interrupt requests it, or no longer does."""
        if high:
            self.interrupts.set_line(number, True)
        else:
            self.interrupts.lower_line(number)

    def receive(self, time: int, number: int, high: bool) -> None:
        """Another core, whose time is ``time``, sets or takes back an interrupt of this one."""
        self.schedule(time, lambda _: self.set_line(number, high))

    def schedule(self, time: int, action: Callable[[int], None]) -> None:
        """Call ``action(time)`` when the core comes to ``time``."""
        self._scheduled += 1
        self._inbox.append((time, self._scheduled, action))
        self._inbox.sort(key=lambda entry: entry[:2])

    def _advance(self) -> None:
        """Bring timers and what other cores sent up to the core's time."""
        self.system.advance(self.time)
        while self._inbox and self._inbox[0][0] <= self.time:
            time, _, action = self._inbox.pop(0)
            action(time)

    def coming(self, now: int) -> tuple[int, ...]:
        """How far away is what will come by itself."""
        return tuple(time - now for time, _, _ in self._inbox)

    def _next_event(self) -> int | None:
        """When something will become pending by itself; None if nothing will."""
        ticks = self.system.ticks.next_interrupt()
        if not self._inbox:
            return ticks
        return self._inbox[0][0] if ticks is None else min(ticks, self._inbox[0][0])

    # -- starting and running ------------------------------------------------------------------------

    def start(self, vectors: int, now: int) -> None:
        """Leave reset: stack pointer and reset handler from the vector table at ``vectors``."""
        stack, reset = self.bus.read_word(vectors), self.bus.read_word(vectors + 4)
        self.state, self.time = "running", now
        self.native.uc.ctl_flush_tb()
        self.system.start(vectors)
        if stack is None or reset is None:
            self.report("start", None, {"vectors": vectors})
            self.faults.stop("vectors-unreadable", None, {"address": vectors})
            return
        self.registers.stack = stack & ~3
        self.registers.link = 0xFFFF_FFFF
        self.initial_stack = stack & ~3
        self.pc = reset & ~1
        self.report("start", None, {"vectors": vectors, "stack": stack, "reset": reset})
        if self.bus.is_erased(vectors):
            self.faults.stop("vectors-erased", None, {"address": vectors})
        elif not reset & 1:
            self.fault("invalid-state", self.pc, {"address": reset})

    def hold(self) -> None:
        """Back into reset: all that a reset sets; RAM keeps its content."""
        self.state = "reset"
        self._inbox.clear()
        self.faults.open.clear()
        self.interrupts.reset()
        self.system.reset()
        self.registers.reset()

    def run(self, until: int) -> None:
        """Run until time ``until``, or until it sleeps, stops, or hands over to the other cores."""
        self.hand_over = False
        while self.runs and self.time < until and not self.hand_over:
            self.state = "running"
            self._advance()
            self._take()
            if not self.runs:
                break
            coming = self._next_event()
            stop = until if coming is None else min(until, max(coming, self.time + 1))
            self.stops.set_exits()
            if self.guard.stale:
                self.guard.refresh()
            if self.blocks.suspect is None and self.blocks.known(self.pc) and self.guard.may_execute(self.pc):
                self.go(stop - self.time)
            else:
                self.stops.inspect(stop)
        if self.runs or self.state == "sleeping":
            self.stack_watch.look()

    def wake(self, now: int) -> None:
        """A sleeping core's time comes: it runs again if an exception wakes it."""
        self.time = max(self.time, now)
        self._advance()
        number = self.interrupts.wakes(self.registers.masks)
        if number is not None:
            self.state = "running"
            self.report("woken", self.pc, {"number": number})

    def stop_soon(self) -> None:
        """Stop after the current instruction, if one is being executed."""
        if self.executing:
            self.native.stop_soon()

    def _take(self) -> None:
        """Take the exception that is pending, if one is."""
        if not self.interrupts.pending:
            return
        number = self.interrupts.to_take(self.registers.masks)
        if number is not None:
            self._enter(number)

    def _enter(self, number: int) -> None:
        interrupted = self.pc
        self._waits, self.event = 0, True
        if not self.interrupts.active and self._note_entry(number):
            return
        if enter(self, number, interrupted):
            self.report("exception-taken", self.pc, {"number": number})
            if self.calls is not None:
                self.calls.enter_exception(interrupted)

    def _note_entry(self, number: int) -> bool:
        """Thread code is interrupted; True if it never gets to do anything any more."""
        self.handler_since = self.time
        self._chained = self._chained + 1 if self._returned_at == self.instructions else 0
        if self._chained < LIVELOCK:
            return False
        self.faults.stop("interrupt-livelock", self.pc, {"number": number})
        return True

    def enter_fault(self, number: int, return_address: int) -> None:
        """Take a fault's exception; the caller has seen that it can be taken."""
        if not self.interrupts.active:
            self.handler_since = self.time
        if enter(self, number, return_address) and self.calls is not None:
            self.calls.enter_exception(return_address)

    def skip_instruction(self, at: int) -> None:
        """Go on after the instruction at ``at``, as if it had done nothing."""
        _, second = self.instruction(at)
        self.pc = at + (4 if second else 2)
        self.registers.advance_if_then()

    def go(self, count: int) -> bool:
        """Execute up to ``count`` instructions; False if something else ended them, which is then seen to."""
        began_at, self._interrupt = self.pc, None
        self.executing = True
        try:
            begun, error = self.native.run(self.pc, count)
        finally:
            self.executing = False
        self.time += begun
        self.instructions += begun
        self.pc = self.registers.pc & ~1
        while self.faults.after_run:
            self.faults.after_run.pop()()
        if self.faults.noted:
            self.faults.raise_noted(self.pc)
            return False
        if self.interrupts.active and self.pc >= RETURN_MAGIC & ~1:
            self.leave_exception(self.pc | 1)
            return False
        if self._interrupt is not None:
            self._stopped_by(self._interrupt)
            return False
        if error:
            self._failed(error, self.pc == began_at and begun <= 1)
            return False
        if self.blocks.suspect is not None:
            return False
        if not self.native.counted_out():
            self.stops.at_exit()
            return False
        return True

    def leave_exception(self, link: int) -> None:
        """Return from the running exception by a link value; what follows a return that cannot be is a fault."""
        number = leave(self, link)
        if number is None:
            return
        self.event = True
        self.faults.recovered(number)
        self._returned_at = self.instructions
        if not self.returned_to_thumb:
            self.fault("invalid-state", self.pc, {"address": self.pc})
            return
        if not self.interrupts.active and self.system.sleeps_on_exit:
            self.sleep()

    # -- where the emulator stops --------------------------------------------------------------------

    def sleep(self) -> None:
        """WFI: nothing if an exception would wake the core at once."""
        self._waits = 0
        self._advance()
        if self.interrupts.wakes(self.registers.masks) is None:
            self.state = "sleeping"
            self.report("sleeps", self.pc)

    def _wait(self) -> None:
        """WFE and YIELD: go on at once where an event came; a core that does nothing else takes its time."""
        self.state = "waiting"
        if self.event:
            self.event, self._waits = False, 0
            return
        self._waits += 1
        if self._waits > PATIENCE:
            coming, pause = self._next_event(), min(self._waits - PATIENCE, LONGEST_WAIT)
            self.time += pause if coming is None else max(0, min(pause, coming - self.time))
            self.hand_over = True

    def instruction(self, address: int) -> tuple[int, int]:
        """The halfwords of the instruction at ``address``; the second is 0 for a narrow one."""
        for _, first, second in instructions(self.bus.read_bytes(address, 4)):
            return first, second
        return 0, 0

    def _waited(self) -> bool:
        """Whether the instruction in front of the program counter is WFE or YIELD."""
        data = self.bus.read_bytes(self.pc - 4, 4)
        if len(data) < 4:
            return False
        first, second = data[0] | data[1] << 8, data[2] | data[3] << 8
        return is_wait(second, 0) or is_wait(first, second)

    def _stopped_by(self, number: int) -> None:
        """The emulator came to an exception of its own."""
        if number == CALL:
            self._call()
        elif number == EXCEPTION_EXIT:
            self.faults.of_fetch(self.pc)
        else:
            self.faults.of_emulator(number)

    def _call(self) -> None:
        """A supervisor call; it is a HardFault where priorities keep it from being taken."""
        target = self.interrupts.fault_target(SUPERVISOR_CALL, self.registers.masks)
        if target == SUPERVISOR_CALL:
            self._enter(SUPERVISOR_CALL)
        else:
            self.fault("call-escalated", self.pc, {})

    def _failed(self, error: int, at_once: bool) -> None:
        """The emulator gave up: a wait, an instruction that it does not know, or a word of its own."""
        if error != self._unicorn.UC_ERR_INSN_INVALID:
            if error == self._unicorn.UC_ERR_EXCEPTION and not self.registers.thumb:
                self.fault("invalid-state", self.pc, {"address": self.pc})
            else:
                self.faults.stop("emulator-error", self.pc, {"number": error})
        elif not at_once and self._waited():
            self._wait()
        elif not self.registers.thumb:
            self.fault("invalid-state", self.pc, {"address": self.pc})
        else:
            self.faults.of_undefined(self.pc)

    # -- faults and reports --------------------------------------------------------------------------

    def fault(
        self, kind: str, pc: int | None, numbers: dict[str, int], words: dict[str, str] | None = None
    ) -> None:
        """A fault at ``pc``: its handler is entered, or the core locks up."""
        self.faults.take(kind, pc, numbers, words)

    def note_fault(self, kind: str, numbers: dict[str, int], pc: int | None = None) -> None:
        """From a callback: a fault of the current instruction, to be raised after it, which is then undone."""
        snapshot = self.registers.snapshot()
        self.faults.note(kind, snapshot[15] & ~1 if pc is None else pc, numbers, snapshot)
        self.stop_soon()

    def bad_vector(self, number: int, vector: int, return_address: int) -> None:
        """The vector of exception ``number``, which was just entered, is no code."""
        self.faults.take("bad-vector", return_address, {"number": number, "vector": vector})

    def cannot_return(self, number: int, link: int) -> None:
        """A return from an exception with a link value that does not fit; a core that does nothing else is stopped."""
        self._bad_returns += 1
        numbers = {"number": number, "link": link}
        if self._bad_returns > MAX_BAD_RETURNS:
            self.faults.stop("bad-exception-return", self.pc, numbers)
        else:
            self.fault("bad-exception-return", self.pc, numbers)

    def report(
        self,
        kind: str,
        pc: int | None,
        numbers: dict[str, int] | None = None,
        words: dict[str, str] | None = None,
    ) -> None:
        """Report an event of this core to the device."""
        self.device.report(self, kind, pc, numbers or {}, words or {})

    def left_exclusive(self) -> None:
        """The exclusive monitor is cleared, as at each entry to and return from an exception."""
        if self.blocks.uses_exclusives:
            pc = self.pc
            self.native.execute_scratch(CLEAR_EXCLUSIVE)
            self.pc = pc

    def _system_event(self, kind: str, numbers: dict[str, int]) -> None:
        if kind == "reset-requested":
            self.note_fault(kind, numbers)
        else:
            self.report(kind, self.registers.pc & ~1, numbers)

    def _changed(self) -> None:
        """Code wrote to its private peripheral space."""
        self.stop_soon()
        traps = self.system.configuration
        if traps & DIVISION_TRAP and not self.blocks.traps_division:
            self.blocks.traps_division = True
            self.faults.after_run.append(self.look_again)
        if traps & ALIGNMENT_TRAP and not self.faults.traps_alignment and not self.plan.aligned_only:
            self.faults.traps_alignment = True
            self.faults.after_run += [self.bus.trap_unaligned, self.look_again]

    def look_again(self) -> None:
        """Look at all code again before it runs; not from a callback."""
        self.blocks.forget()
        self.native.uc.ctl_flush_tb()

    def follow_calls(self, wanted: bool) -> None:
        """Follow calls from the next run on, or stop doing so; not from a callback."""
        if wanted == (self._block_hook is not None):
            return
        uc = self.native.uc
        if wanted:
            self.calls = self.calls or CallStack(self.bus.read_bytes)
            self._block_hook = uc.hook_add(self._unicorn.UC_HOOK_BLOCK, self._on_block)
        else:
            uc.hook_del(self._block_hook)
            self._block_hook = self.calls = None
        uc.ctl_flush_tb()

    # -- callbacks -----------------------------------------------------------------------------------

    def _on_block(self, uc: Any, address: int, size: int, data: object) -> None:
        if self.calls is not None:
            self.calls.enter_block(address, size)

    def _on_interrupt(self, uc: Any, number: int, data: object) -> None:
        self._interrupt = number
        uc.emu_stop()
