"""One core in the emulator: started, run up to a time, stopped at what needs more than the emulator does.

The emulator executes code natively and stops only where something is decided here:

- at each write to the private peripheral space, since it may let an exception be taken;
- at WFI, WFE, SVC, at faults and at returns from exceptions, where it stops by itself;
- after instructions that change a mask (CPSIE, MSR), but only while an exception is pending and held off;
- before a new block that has to be looked at (``code_blocks``).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gemel.m_profile.instructions.halfwords import instructions
from gemel.rehearsal.emulator.core.alignment_looks import AlignmentLooks
from gemel.rehearsal.emulator.core.backing import Backing
from gemel.rehearsal.emulator.core.bus import CoreBus
from gemel.rehearsal.emulator.core.call_stack import CallStack, StackInUse
from gemel.rehearsal.emulator.core.code_blocks import CodeBlocks
from gemel.rehearsal.emulator.core.code_stops import CodeStops
from gemel.rehearsal.emulator.core.exception_frames import RETURN_MAGIC
from gemel.rehearsal.emulator.core.exceptions import CoreExceptions
from gemel.rehearsal.emulator.core.faults import CoreFaults
from gemel.rehearsal.emulator.core.instruction_needs import is_as_user
from gemel.rehearsal.emulator.core.native import CLEAR_EXCLUSIVE, Native
from gemel.rehearsal.emulator.core.protected_access import ProtectedAccess
from gemel.rehearsal.emulator.core.registers import PRIVILEGE, PROCESS_STACK, CoreRegisters
from gemel.rehearsal.emulator.core.sleep import CoreSleep
from gemel.rehearsal.emulator.core.stack_moves import StackMoves
from gemel.rehearsal.emulator.core.stack_watch import StackWatch
from gemel.rehearsal.emulator.system_space.coming_events import ComingEvents
from gemel.rehearsal.emulator.system_space.interrupts import HARD_FAULT, NMI, Interrupts
from gemel.rehearsal.emulator.system_space.registers import ALIGNMENT_TRAP, DIVISION_TRAP, SystemSpace
from gemel.rehearsal.plan import CorePlan
from gemel.rehearsal.raw_run import CoreState

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.device import Device

EXCEPTION_EXIT, CALL = 8, 2


class EmulatedCore:
    """A core.  ``state`` is reset, running, waiting (at WFE), sleeping (at WFI), locked up or stopped.

    ``time`` counts instructions from the primary's reset, sleep included; ``instructions`` those executed; ``until``
    is when its turn ends.
    """

    def __init__(
        self, plan: CorePlan, backings: dict[str, Backing], device: Device, goals: tuple[int, ...]
    ) -> None:
        import unicorn

        self.plan, self.device = plan, device
        self.state: CoreState = "reset"
        self.is_endless = False
        self.pc = self.time = self.started = self.instructions = self.until = 0
        self.hand_over = False
        self.calls: CallStack | None = None
        self.initial_stack: int | None = None
        self.stacks = [0, 0]
        """The main and the process stack pointer at the last stop; 0 before the first."""
        self._follows_calls = False
        self.executing = False
        self._interrupt: int | None = None
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
            lambda: self.system.float_unit.is_on,
            lambda address: self.bus.was_loaded(address),
        )
        self.coming = ComingEvents(self.system)
        self.alignment = AlignmentLooks(self)
        self.faults = CoreFaults(self)
        self.exceptions = CoreExceptions(self)
        self.sleep = CoreSleep(self)
        self.stack_watch = StackWatch(self)
        self.stack_moves = StackMoves(self)
        self.bus = CoreBus(self, backings, device)
        self.guard = ProtectedAccess(self)
        self.stops = CodeStops(self, goals)
        self._unicorn: Any = unicorn
        self.native.uc.hook_add(unicorn.UC_HOOK_INTR, self._on_interrupt)
        self.native.uc.hook_add(unicorn.UC_HOOK_EDGE_GENERATED, self.stops.new_block)

    # -- what others ask -----------------------------------------------------------------------------

    def now(self) -> int:
        """The time: while the core executes, that of its current instruction."""
        return self.time + self.native.counter.value - 1 if self.executing else self.time

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
        return self.state in ("running", "waiting") and not self.is_endless

    @property
    def on_main_stack(self) -> bool:
        """Whether the main stack pointer is the one in use."""
        return bool(self.interrupts.handler) or not self.registers.control & PROCESS_STACK

    def stack_in_use(self) -> StackInUse:
        """The stack in use, for the calls that are made on it."""
        return StackInUse(self.registers.stack, not self.on_main_stack, bool(self.interrupts.handler))

    @property
    def unprivileged(self) -> bool:
        """Whether code runs without privilege now."""
        if not self.blocks.sets_control or self.interrupts.handler:
            return False
        return bool(self.registers.control & PRIVILEGE)

    def accesses_as_user(self) -> bool:
        """From a callback: whether the current instruction is a load or store as unprivileged code does it."""
        return is_as_user(*self.instruction(self.registers.pc & ~1))

    def receive(self, time: int, number: int, high: bool) -> None:
        """Another core, whose time is ``time``, sets or takes back an interrupt of this one."""
        self.coming.schedule(time, lambda _: self.interrupts.set_line(number, high))

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
        self.registers.set_link(0xFFFF_FFFF)
        self.initial_stack = stack & ~3
        self.stack_moves.elsewhere = False
        self.bus.begin_stack(stack & ~3)
        self.pc, self.started = reset & ~1, now
        self.report("start", None, {"vectors": vectors, "stack": stack, "reset": reset})
        if self.bus.is_erased(vectors):
            self.faults.stop("vectors-erased", None, {"address": vectors})
        elif not reset & 1:
            self.registers.leave_thumb()
            self.faults.of_fetch(reset)

    def hold(self) -> None:
        """Back into reset: all that a reset sets; RAM keeps its content."""
        self.state, self.is_endless = "reset", False
        self.calls = self.calls and self._no_calls()
        self.coming.clear()
        self.faults.open.clear()
        self.interrupts.reset()
        self.system.reset()
        self.registers.reset()
        self._set_float_context()
        self.native.clear_stack_limits()

    def run(self, until: int) -> None:
        """Run until time ``until``, or until it sleeps, stops, or hands over to the other cores."""
        self.hand_over, self.until = False, until
        while self.runs and self.time < until and not self.hand_over:
            self.state = "running"
            self.coming.advance(self.time)
            self.exceptions.take_due()
            if not self.runs or self.hand_over:
                break
            coming = self.coming.next()
            stop = until if coming is None else min(until, max(coming, self.time + 1))
            self.stops.set_exits()
            if self.bus.stale:
                self.bus.watch_stack_limit()
            if self.guard.stale:
                self.guard.refresh()
            if self.blocks.suspect is None and self.blocks.known(self.pc) and self.guard.may_execute(self.pc):
                self.go(stop - self.time)
            else:
                self.stops.inspect(stop)
        if self.runs or self.state == "sleeping":
            self.stack_watch.look()

    def stop_soon(self) -> None:
        """Stop after the current instruction, if one is being executed."""
        if self.executing:
            self.native.stop_soon()

    def stop_before(self, at: int) -> None:
        """From a callback of the instruction at ``at``: stop before it."""
        self.blocks.suspect = at
        self.native.stop_before()

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
        self.pc, *self.stacks = self.registers.after_run()
        while self.faults.after_run:
            self.faults.after_run.pop()()
        if self.faults.noted:
            self.faults.raise_noted()
            return False
        if self.interrupts.handler and self.pc >= RETURN_MAGIC & ~1:
            self.exceptions.leave(self.pc | self.registers.thumb)
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

    # -- where the emulator stops --------------------------------------------------------------------

    def instruction(self, address: int) -> tuple[int, int]:
        """The halfwords of the instruction at ``address``; the second is 0 for a narrow one."""
        for _, first, second in instructions(self.bus.read_bytes(address, 4)):
            return first, second
        return 0, 0

    def _stopped_by(self, number: int) -> None:
        """The emulator came to an exception of its own."""
        if number == CALL:
            self.exceptions.call()
        elif number == EXCEPTION_EXIT:
            self.faults.of_fetch(self.pc)
        else:
            self.faults.of_emulator(number)

    def _failed(self, error: int, at_once: bool) -> None:
        """The emulator gave up: a wait, an instruction that it does not know, or a word of its own."""
        if error != self._unicorn.UC_ERR_INSN_INVALID:
            if error == self._unicorn.UC_ERR_EXCEPTION and not self.registers.thumb:
                self.faults.of_fetch(self.pc)
            else:
                self.faults.stop("emulator-error", self.pc, {"number": error})
        elif not at_once and self.sleep.wait():
            pass
        elif not self.registers.thumb:
            self.faults.of_fetch(self.pc)
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
        if pc is None:
            # Only the first callback of an access finds that state, and none about a device register.
            snapshot = self.registers.in_block(snapshot, self.blocks.if_then_at(snapshot[15] & ~1))
        self.faults.note(kind, snapshot[15] & ~1 if pc is None else pc, numbers, snapshot)
        self.stop_soon()

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
        if self.plan.has_float and self.system.float_unit.context != self.native.float_context:
            self.faults.after_run.append(self._set_float_context)
        traps = self.system.configuration
        if traps & DIVISION_TRAP and not self.blocks.traps_division:
            self.blocks.traps_division = True
            self.faults.after_run.append(self.look_again)
        if traps & ALIGNMENT_TRAP and not self.faults.traps_alignment and not self.plan.aligned_only:
            self.faults.traps_alignment = True
            self.faults.after_run += [self.bus.trap_unaligned, self.look_again]

    def _set_float_context(self) -> None:
        """Let float instructions set CONTROL.FPCA only while exceptions keep the float registers."""
        keeps, settings = self.system.float_unit.context
        self.native.set_float_context(keeps or not self.plan.has_float, settings)

    def look_again(self) -> None:
        """Look at all code again before it runs; not from a callback."""
        self.blocks.forget()
        self.native.uc.ctl_flush_tb()

    def follow_calls(self) -> None:
        """Follow calls from the next run on; not from a callback."""
        if not self._follows_calls:
            self._follows_calls = True
            self.calls = self.calls or self._no_calls()
            self.native.uc.hook_add(self._unicorn.UC_HOOK_BLOCK, self._on_block)
            self.native.uc.ctl_flush_tb()

    def _no_calls(self) -> CallStack:
        return CallStack(self.bus.read_bytes, self.stack_in_use)

    # -- callbacks -----------------------------------------------------------------------------------

    def _on_block(self, uc: Any, address: int, size: int, data: object) -> None:
        if self.calls is not None:
            self.calls.enter_block(address, size)

    def _on_interrupt(self, uc: Any, number: int, data: object) -> None:
        self._interrupt = number
        uc.emu_stop()
