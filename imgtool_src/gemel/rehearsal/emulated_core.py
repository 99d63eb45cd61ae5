"""One core in the emulator: started, run for a slice, and what came of the slice."""

from __future__ import annotations

from typing import Any

from gemel.rehearsal.backing import Backing
from gemel.rehearsal.block_checks import BlockChecks
from gemel.rehearsal.call_stack import CallStack
from gemel.rehearsal.core_bus import CoreBus, DeviceSide
from gemel.rehearsal.core_exceptions import RETURN_MAGIC, enter, leave
from gemel.rehearsal.core_registers import CoreRegisters
from gemel.rehearsal.instruction_needs import SLEEP, SLEEP_WIDE, WAITS, WAITS_WIDE
from gemel.rehearsal.plan import CorePlan
from gemel.rehearsal.system_space import SystemSpace

NOWHERE = 0xE00F_FFFE
"""Where the emulator is told to stop; never executed."""

MAX_STEPS = 64
"""Doubtful instructions that are walked up to in one go."""

SUPERVISOR_CALL = 2
_INTERRUPTS = {
    3: "secure-or-fetch-fault",
    4: "alignment-fault",
    7: "breakpoint",
    17: "no-coprocessor",
    18: "invalid-state",
    19: "stack-limit-fault",
}
"""The emulator's numbers of exceptions and what they are reported as."""


class EmulatedCore:
    """A core.  ``state`` is reset, running, sleeping, waiting, locked up or stopped."""

    def __init__(
        self, plan: CorePlan, backings: dict[str, Backing], device: DeviceSide, goals: tuple[int, ...]
    ) -> None:
        import unicorn

        self._unicorn: Any = unicorn
        self.plan, self._device = plan, device
        self.state = "reset"
        self.pc = 0
        self.active: list[int] = []
        self.calls: CallStack | None = None
        self.slice_start = self.accesses_in_slice = self.instructions = 0
        self.ended_early = False
        self.initial_stack: int | None = None
        self._trouble = False
        self._interrupt: int | None = None
        self._block_hook: int | None = None
        self.uc: Any = self._unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB, plan.emulated_as)
        self.registers = CoreRegisters(self.uc)
        self.system = SystemSpace(self.ticks, self._active_number, self._system_event)
        self.blocks = BlockChecks(
            plan, lambda address, size: self.bus.read_bytes(address, size), lambda: self.system.float_unit_on
        )
        self.bus = CoreBus(self, backings, device)
        self.uc.hook_add(unicorn.UC_HOOK_INTR, self._on_interrupt)
        self.uc.hook_add(unicorn.UC_HOOK_EDGE_GENERATED, self._new_block)
        for goal in goals:
            self.uc.hook_add(unicorn.UC_HOOK_CODE, self._on_goal, begin=goal, end=goal)

    def may_execute(self, address: int) -> bool:
        """Whether there is code of this core at ``address``."""
        return any(span.holds(address) for span in self.plan.executable)

    def ticks(self) -> int:
        """What its timers count: instructions to the slice's start, and the accesses to its timers in it."""
        return self.slice_start + self.accesses_in_slice

    # -- running -----------------------------------------------------------------------------------

    def start(self, vectors: int, now: int) -> None:
        """Leave reset: stack pointer and reset handler from the vector table at ``vectors``."""
        stack, reset = self.bus.read_word(vectors), self.bus.read_word(vectors + 4)
        self.state = "running"
        self.slice_start = now
        self.system.start(vectors)
        if stack is None or reset is None:
            self.report("start", None, {"vectors": vectors})
            self.fault("vectors-unreadable", None, {"address": vectors})
            return
        self.registers.stack = stack & ~3
        self.registers.link = 0xFFFF_FFFF
        self.initial_stack = stack & ~3
        self.pc = reset & ~1
        self.report("start", None, {"vectors": vectors, "stack": stack, "reset": reset})
        if self.bus.is_erased(vectors):
            self.fault("vectors-erased", None, {"address": vectors})
        elif not reset & 1:
            self.fault("invalid-state", self.pc, {"address": reset})

    def run(self, count: int, now: int) -> None:
        """Run for ``count`` instructions, or until something ends the slice; then see to that."""
        self.slice_start, self.accesses_in_slice, self.ended_early = now, 0, False
        if self.calls is not None:
            self.calls.begin_slice()
        self.system.tick()
        self._take_exception()
        if self.state not in ("running", "waiting"):
            return
        self.state = "running"
        if not self.blocks.known(self.pc) and not self._inspect(self.pc):
            return
        self._execute(count)

    def _execute(self, count: int) -> None:
        if not self._go(count):
            self.ended_early = True
            return
        suspect, self.blocks.suspect = self.blocks.suspect, None
        if suspect is not None:
            self.ended_early = True
            self._inspect(suspect)
        elif self._is_before(SLEEP, (SLEEP_WIDE,)):
            self.ended_early = True
            self.state = "sleeping"
            self.report("sleeps", self.pc)

    def _go(self, count: int) -> bool:
        """Execute up to ``count`` instructions; False if something else ended them, which is then seen to."""
        self._trouble, self._interrupt, self.blocks.suspect = False, None, None
        error = 0
        try:
            self.uc.emu_start(self.pc | 1, NOWHERE, count=count)
        except self._unicorn.UcError as problem:
            error = problem.errno
        self.pc = self.registers.pc & ~1
        if self._trouble:
            return False
        if self.active and self.pc >= RETURN_MAGIC & ~1:
            if leave(self, self.pc | 1) and not self.active and self.system.sleeps_on_exit:
                self.state = "sleeping"
            return False
        if self._interrupt is not None:
            self._taken_by_emulator(self._interrupt)
            return False
        if error:
            self._failed(error)
            return False
        return True

    def _is_before(self, narrow: int, wide: tuple[int, ...]) -> bool:
        """Whether the instruction in front of the program counter is one of these."""
        data = self.bus.read_bytes(self.pc - 4, 4)
        if len(data) < 4:
            return False
        first, second = data[0] | data[1] << 8, data[2] | data[3] << 8
        return second == narrow or first << 16 | second in wide

    def _taken_by_emulator(self, number: int) -> None:
        if number == SUPERVISOR_CALL:
            if 11 in self.active:
                self.fault("call-in-call", self.pc - 2, {})
            else:
                self._enter(11)
            return
        if number == 3 and self._is_non_secure_branch():
            self.stop("leaves-secure-state", self.pc, {})
            return
        kind = _INTERRUPTS.get(number, "exception")
        if kind == "no-coprocessor" and self.blocks.missing(self.pc):
            self.fault("instruction-missing", self.pc, {}, {"need": self.blocks.need_at(self.pc)})
            return
        self.fault(kind, self.pc, {"number": number})

    def _is_non_secure_branch(self) -> bool:
        data = self.bus.read_bytes(self.pc, 4)
        return len(data) >= 2 and data[0] & 0x07 == 0x04 and data[1] == 0x47

    def _failed(self, error: int) -> None:
        """The emulator gave up: a wait, an instruction that it does not know, or a word of its own."""
        if error != self._unicorn.UC_ERR_INSN_INVALID:
            self.stop("emulator-error", self.pc, {"number": error})
            return
        if any(self._is_before(narrow, WAITS_WIDE) for narrow in WAITS) and self._goes_on():
            self.state = "waiting"
            return
        if not self.registers.thumb:
            self.fault("invalid-state", self.pc, {"address": self.pc})
            return
        if not self._trouble and self.state == "running":
            need = self.blocks.need_at(self.pc)
            if self.blocks.missing(self.pc):
                self.fault("instruction-missing", self.pc, {}, {"need": need})
            elif self.blocks.not_emulated(self.pc):
                self.stop("instruction-not-emulated", self.pc, {}, {"need": need})
            else:
                data = self.bus.read_bytes(self.pc, 4)
                self.fault("undefined-instruction", self.pc, {"code": int.from_bytes(data, "little")})

    def _goes_on(self) -> bool:
        """Whether the instruction at the program counter can be executed: then the one before it waited."""
        try:
            self.uc.emu_start(self.pc | 1, NOWHERE, count=1)
        except self._unicorn.UcError as problem:
            if problem.errno == self._unicorn.UC_ERR_INSN_INVALID and self.registers.pc & ~1 == self.pc:
                return False
        if self._interrupt is None and not self._trouble:
            self.pc = self.registers.pc & ~1
        return True

    def _inspect(self, address: int) -> bool:
        """Look at a block before it runs; False if the core cannot go on there."""
        if not self.may_execute(address):
            if not (self.active and address >= RETURN_MAGIC & ~1):
                self.fault("fetch-outside-code", address, {"address": address})
                return False
            return True
        for _ in range(MAX_STEPS):
            doubtful = self.blocks.first_doubtful(self.pc)
            if doubtful is None:
                return True
            if doubtful.before and not self._go(doubtful.before):
                return self.state == "running"
            if self.pc != doubtful.address:
                continue
            if self.registers.skips_next or (doubtful.switched_off and self.system.float_unit_on):
                if not self._go(1):
                    return self.state == "running"
                continue
            self.blocks.suspect = None
            kind = "float-unit-off" if doubtful.switched_off else "instruction-missing"
            self.fault(kind, self.pc, {}, {"need": doubtful.need})
            return False
        return True

    def _take_exception(self) -> None:
        """Take the most urgent pending exception if nothing holds it off; waking needs less than taking."""
        number = self.system.most_urgent()
        if number is None:
            return
        if self.state == "sleeping":
            self.state = "running"
            self.report("woken", self.pc, {"number": number})
        limit = self.registers.priority_mask
        if self.active or self.registers.masked or (limit and self.system.priority(number) >= limit):
            return
        if self.state in ("running", "waiting"):
            self.state = "running"
            self._enter(number)

    def _enter(self, number: int) -> None:
        interrupted = self.pc
        if enter(self, number, interrupted):
            self.report("exception-taken", self.pc, {"number": number})
            if self.calls is not None:
                self.calls.enter_exception(interrupted)

    # -- reporting ---------------------------------------------------------------------------------

    def report(
        self,
        kind: str,
        pc: int | None,
        numbers: dict[str, int] | None = None,
        words: dict[str, str] | None = None,
    ) -> None:
        """Tell the device of an event of this core."""
        self._device.report(self, kind, pc, numbers or {}, words or {})

    def fault(
        self, kind: str, pc: int | None, numbers: dict[str, int], words: dict[str, str] | None = None
    ) -> None:
        """The core cannot go on: it would take its fault handler, or lock up if it has none."""
        handler = self.bus.read_word(self.system.vector_table + 4 * 3)
        sound = handler is not None and bool(handler & 1) and self.may_execute(handler & ~1)
        locked = not sound or 3 in self.active or 2 in self.active
        self.state = "locked up" if locked else "stopped"
        more = {"handler": handler} if handler is not None else {}
        self.report(kind, pc, {**numbers, **more, "locked_up": int(locked)}, words)
        self._trouble = True

    def stop(
        self, kind: str, pc: int | None, numbers: dict[str, int], words: dict[str, str] | None = None
    ) -> None:
        """The rehearsal cannot follow the core any further, whatever the hardware would do."""
        self.state = "stopped"
        self.report(kind, pc, numbers, words)
        self._trouble = True

    def _active_number(self) -> int:
        return self.active[-1] if self.active else 0

    def _system_event(self, kind: str, numbers: dict[str, int]) -> None:
        if kind == "reset-requested":
            self.stop(kind, self.registers.pc & ~1, numbers)
            self.uc.emu_stop()
        else:
            self.report(kind, self.registers.pc & ~1, numbers)

    def follow_calls(self, wanted: bool) -> None:
        """Count and follow calls from the next slice on, or stop doing so; not from a callback."""
        if wanted == (self._block_hook is not None):
            return
        if wanted:
            self.calls = self.calls or CallStack(self.bus.read_bytes)
            self._block_hook = self.uc.hook_add(self._unicorn.UC_HOOK_BLOCK, self._on_block)
        else:
            self.uc.hook_del(self._block_hook)
            self._block_hook = self.calls = None
        self.uc.ctl_flush_tb()

    # -- callbacks ---------------------------------------------------------------------------------

    def _on_block(self, uc: Any, address: int, size: int, data: object) -> None:
        if self.calls is not None:
            self.calls.enter_block(address, size)

    def _new_block(self, uc: Any, block: Any, previous: Any, data: object) -> None:
        if self.blocks.is_doubtful(block.pc & ~1, block.size):
            self.blocks.suspect = block.pc & ~1
            uc.emu_stop()

    def _on_goal(self, uc: Any, address: int, size: int, data: object) -> None:
        self._device.reached(self, address)

    def _on_interrupt(self, uc: Any, number: int, data: object) -> None:
        self._interrupt = number
        uc.emu_stop()
