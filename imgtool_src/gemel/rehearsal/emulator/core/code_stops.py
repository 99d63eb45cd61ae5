"""Where a core stops besides: at exits of the emulator, and before code that has to be looked at."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gemel.rehearsal.emulator.core.exception_frames import RETURN_MAGIC
from gemel.rehearsal.emulator.core.instruction_needs import (
    READ_SYSTEM,
    is_division,
    is_sleep,
    sets_control,
)
from gemel.rehearsal.emulator.core.native import block_function
from gemel.rehearsal.emulator.core.registers import PRIVILEGE
from gemel.rehearsal.emulator.system_space.interrupts import Masks
from gemel.rehearsal.emulator.system_space.registers import DIVISION_TRAP

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.code_blocks import Doubtful
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore

LAST_OF_STATUS, STACK_POINTERS, CONTROL_REGISTER = 7, (8, 9), 20
"""Numbers of system registers as MRS and MSR have them: up to 7 parts of the program status."""

MAX_NEEDLESS = 32
"""Calls after a mask, for each mask, with nothing held off, before they are done without."""

PRIVILEGE_KEPT = (
    "code gave up its privilege (CONTROL.nPRIV), which is ignored, as an Armv6-M core does that does not have it; "
    'one with the extension "mpu" has it'
)
TARGET_TEST = "the instruction TT was executed; it knows no protected region, and every address as Secure"
"""What the result says of both: the library does them without our memory protection and attribution."""


class CodeStops:
    """The exits of one core's emulator, and the way to doubtful instructions."""

    def __init__(self, core: EmulatedCore, goals: tuple[int, ...]) -> None:
        """``goals`` are addresses that the device wants to know of once."""
        self._core = core
        self._goals = set(goals)
        self._exits: frozenset[int] = frozenset()
        self._walked_from: int | None = None
        self._stops = self._armed = False
        self._watched: set[int] = set()
        self._hooks: list[int] = []
        self._needless = 0
        self._call = block_function(self._unmasked)

    def set_exits(self) -> None:
        """Stop at goals; after masks while something pending is held off; at divisions that may trap."""
        core = self._core
        core.blocks.found_stop = False
        self._armed = bool(core.interrupts.pending) and core.interrupts.to_take(Masks()) is not None
        if self._armed:
            self._needless = 0
            if core.blocks.unmasked != self._watched:
                self._hooks += core.native.at_blocks(core.blocks.unmasked - self._watched, self._call)
                self._watched |= core.blocks.unmasked
        elif self._needless > MAX_NEEDLESS * len(self._hooks):
            self._forget_masks()
        wanted = set(self._goals)
        self._stops = self._armed or bool(wanted) or core.blocks.traps_division
        if wanted:
            wanted |= core.blocks.sleeps
        wanted |= core.blocks.divisions
        if wanted != self._exits:
            self._install_exits(frozenset(wanted))

    def _unmasked(self, uc: int, address: int, size: int, data: object) -> None:
        """From a callback: the core has executed an instruction that may let an exception through."""
        self._needless += 1
        core = self._core
        if not core.native.begun:
            return
        if self._armed:  # a stop costs more than to look whether the masks still hold everything off
            stops = core.interrupts.to_take(core.registers.masks) is not None
        else:
            stops = self._needless > MAX_NEEDLESS * len(self._hooks)
        if stops:
            core.native.stop_soon()

    def _forget_masks(self) -> None:
        """Nothing was held off for long: no calls after masks until something is again."""
        for hook in self._hooks:
            self._core.native.unhook(hook)
        self._hooks.clear()
        self._watched.clear()

    def _install_exits(self, exits: frozenset[int]) -> None:
        core = self._core
        uc = core.native.uc
        for address in exits - self._exits:
            uc.ctl_remove_cache(address, address + 2)
        uc.ctl_set_exits(sorted(exits))
        self._exits = exits

    def at_exit(self) -> None:
        """The emulator stopped at an exit, or after a WFI."""
        core = self._core
        at = core.pc
        first, second = core.instruction(at)
        if at not in self._exits:
            core.sleep.begin()
            return
        if at in self._goals:
            self._goals.discard(at)
            core.device.reached(core, at)
            return
        if is_sleep(first, second) and not core.registers.skips_next:
            core.pc += 2 if second == 0 else 4
            core.time += 1
            core.instructions += 1
            core.sleep.begin()
            return
        divisor = is_division(first, second) if core.system.configuration & DIVISION_TRAP else None
        if divisor is not None and not core.registers.skips_next and not core.registers.value(divisor):
            core.fault("division-by-zero", at, {})
            return
        self._step_over(at)

    def _step_over(self, at: int) -> None:
        """Execute the instruction at an exit."""
        uc = self._core.native.uc
        self._install_exits(self._exits - {at})
        uc.ctl_remove_cache(at, at + 2)
        self.step(at)
        uc.ctl_remove_cache(at, at + 2)

    def step(self, at: int) -> bool:
        """Execute the instruction at ``at``, which was looked at; False if something else ended that."""
        before, self._walked_from = self._walked_from, at
        done = self._core.go(1)
        self._walked_from = before
        return done

    def inspect(self, until: int) -> None:
        """Look at the code from the program counter on before it runs, and go to what is doubtful in it."""
        core = self._core
        start, core.blocks.suspect = core.pc, None
        if not (core.may_execute(start) and core.guard.may_execute(start)):
            if core.interrupts.handler and start >= RETURN_MAGIC & ~1:
                core.exceptions.leave(start | core.registers.thumb)
            else:
                core.faults.of_fetch(start)
            return
        began, self._walked_from = core.time, start
        self._walk(until)
        if core.runs and core.pc == start and core.time == began:
            core.go(until - began)
        self._walked_from = None
        core.native.uc.ctl_remove_cache(start, start + 2)

    def _walk(self, until: int) -> None:
        """Go to the first doubtful instruction that follows in straight order, and look at it there."""
        core = self._core
        found = core.blocks.first_doubtful(core.pc)
        if core.blocks.found_stop:
            self.set_exits()
        if core.bus.stale:
            core.bus.watch_stack_limit()
        for instruction in core.blocks.must_align():
            core.alignment.begin(instruction)
        for at in core.blocks.stack_moves():
            core.stack_moves.begin(at)
        if not found or core.time + found[0].before > until or not self._go_to(found[0]):
            return
        executed = (each for each in found if each.condition is None or core.registers.holds(each.condition))
        doubtful = next(executed, None)
        if (
            doubtful is None
            or core.registers.skips_next
            or (doubtful.switched_off and core.system.float_unit.is_on)
        ):
            core.go(1)
        elif doubtful.sets_stack or doubtful.tests_target:
            core.blocks.seen_once(doubtful.at)
            core.go(1)
            if doubtful.tests_target:
                core.system.used.add(TARGET_TEST)
            else:
                core.registers.align_stacks()
                core.stack_watch.sets(core.stacks[1])
        elif doubtful.system:
            self._use_system_register(doubtful.at)
        elif doubtful.need and core.bus.is_erased(doubtful.at):
            core.faults.of_fetch(doubtful.at)
        elif doubtful.non_secure_target is None:
            kind = "float-unit-off" if doubtful.switched_off else "instruction-missing"
            core.fault(kind, doubtful.at, {}, {"need": doubtful.need})
        elif (target := core.registers.value(doubtful.non_secure_target)) & 1:  # it stays in Secure state
            core.go(1)
        else:
            attribution = core.system.secure_by(target)
            words = {"need": doubtful.need, **({"attribution": attribution} if attribution else {})}
            kind = "invalid-entry" if attribution else "leaves-secure-state"
            core.faults.stop(kind, doubtful.at, {"address": target}, words)

    def _use_system_register(self, at: int) -> None:
        """Execute MRS, MSR or CPS of an Armv6-M core, whose CONTROL.nPRIV the emulator ignores.

        Code without privilege writes flags alone, and reads zero (DDI 0419, "Unprivileged execution", from memory).
        """
        core, registers = self._core, self._core.registers
        first, second = core.instruction(at)
        number, user = second & 0xFF, core.unprivileged
        if first == READ_SYSTEM:
            core.go(1)
            target = second >> 8 & 0xF
            if number == CONTROL_REGISTER:
                registers.set_value(target, registers.value(target) | registers.user)
            elif user and number > LAST_OF_STATUS:
                registers.set_value(target, 0)
        elif user and not (second and number <= LAST_OF_STATUS):
            core.skip_instruction(at)
            core.time += 1
            core.instructions += 1
        else:
            gives_up = sets_control(first, second) and bool(registers.value(first & 0xF) & PRIVILEGE)
            core.go(1)
            if number in STACK_POINTERS:
                registers.align_stacks()
                core.stack_watch.sets(core.stacks[1])
            if not sets_control(first, second):
                return
            if "mpu" in core.plan.extensions:  # which no core has without this one
                registers.user = int(gives_up)
                if gives_up and not core.blocks.watches_privilege:
                    core.blocks.watches_privilege = True
                    core.look_again()
            elif gives_up:
                core.blocks.seen_once(at)
                core.system.used.add(PRIVILEGE_KEPT)

    def _go_to(self, doubtful: Doubtful) -> bool:
        """Go to where the core stops for an instruction; False where something else ends the way."""
        core = self._core
        if not doubtful.skipped:
            return not doubtful.before or (core.go(doubtful.before) and core.pc == doubtful.stop)
        while core.pc < doubtful.stop:
            before = core.pc
            if not core.go(1) or not before < core.pc:
                return False
        return core.pc == doubtful.stop

    def new_block(self, uc: Any, block: Any, previous: Any, data: object) -> None:
        """From a callback: the emulator comes to a block for the first time, or by a new way."""
        core = self._core
        address = block.pc & ~1
        if address == self._walked_from or not core.executing:
            return
        core.stack_watch.comes_to_block(address)
        core.exceptions.comes_to_block(address, previous.pc & ~1, previous.size)
        if core.blocks.is_loaded(address) and not core.blocks.is_loaded(previous.pc & ~1):
            core.blocks.entered_data = address
        doubtful = core.blocks.is_doubtful(address, block.size) or not core.guard.may_enter(address)
        if doubtful or core.guard.stale or core.bus.stale or (core.blocks.found_stop and self._stops):
            core.blocks.suspect = address
            uc.emu_stop()
