"""The faults of one core: which exception each becomes, whether it recovers, and where nothing is known."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from gemel.m_profile.execution.float_operations import FLOAT
from gemel.m_profile.instructions.halfwords import instructions, is_return
from gemel.m_profile.instructions.memory_accesses import LR, memory_access
from gemel.rehearsal.emulator.core.backing import Backing
from gemel.rehearsal.emulator.core.instruction_needs import coprocessor_of
from gemel.rehearsal.emulator.system_space.interrupts import (
    BUS_FAULT,
    HARD_FAULT,
    MEMORY_FAULT,
    NMI,
    SECURE_FAULT,
    SUPERVISOR_CALL,
    USAGE_FAULT,
)
from gemel.rehearsal.emulator.system_space.registers import ALIGNMENT_TRAP, IGNORES_BUS_FAULTS
from gemel.rehearsal.plan import NEVER_EXECUTED
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore

FORCED, BAD_VECTOR, DEBUG_EVENT = 1 << 30, 1 << 1, 1 << 31
BUS_ADDRESS_VALID, MEMORY_ADDRESS_VALID = 1 << 15, 1 << 7


NEAR_RETURN, BRANCH = 8, 0x47
"""Bytes of code after a function's last call in which it returns, where it does nothing more; the upper byte of BX."""


class FaultStatus(NamedTuple):
    """An exception number, and bits for the configurable, the hard and the secure fault status register."""

    exception: int
    status: int = 0
    hard: int = 0
    secure: int = 0


_PRECISE = FaultStatus(BUS_FAULT, 1 << 9)
_UNDEFINED = FaultStatus(USAGE_FAULT, 1 << 16)

FAULTS = {
    "unmapped-read": _PRECISE,
    "unmapped-write": _PRECISE,
    "write-to-flash": _PRECISE,
    "unprivileged-access": _PRECISE,
    "fetch-unmapped": FaultStatus(BUS_FAULT, 1 << 8),
    "stacking": FaultStatus(BUS_FAULT, 1 << 12),
    "protected-read": FaultStatus(MEMORY_FAULT, 1 << 1),
    "protected-write": FaultStatus(MEMORY_FAULT, 1 << 1),
    "protected-fetch": FaultStatus(MEMORY_FAULT, 1 << 0),
    "protected-stacking": FaultStatus(MEMORY_FAULT, 1 << 4),
    "protected-unstacking": FaultStatus(MEMORY_FAULT, 1 << 3),
    "unstacking": FaultStatus(BUS_FAULT, 1 << 11),
    "fetch-never": FaultStatus(MEMORY_FAULT, 1 << 0),
    "fetch-erased": _UNDEFINED,
    "undefined-instruction": _UNDEFINED,
    "instruction-missing": _UNDEFINED,
    "invalid-state": FaultStatus(USAGE_FAULT, 1 << 17),
    "bad-exception-return": FaultStatus(USAGE_FAULT, 1 << 18),
    "no-signature": FaultStatus(SECURE_FAULT, secure=1 << 1),
    "no-coprocessor": FaultStatus(USAGE_FAULT, 1 << 19),
    "float-unit-off": FaultStatus(USAGE_FAULT, 1 << 19),
    "stack-limit-fault": FaultStatus(USAGE_FAULT, 1 << 20),
    "alignment-fault": FaultStatus(USAGE_FAULT, 1 << 24),
    "division-by-zero": FaultStatus(USAGE_FAULT, 1 << 25),
    "bad-vector": FaultStatus(HARD_FAULT, 0, BAD_VECTOR),
    "breakpoint": FaultStatus(HARD_FAULT, 0, DEBUG_EVENT),
    "call-escalated": FaultStatus(SUPERVISOR_CALL),
}
"""The faults of a core that has configurable faults; on others each of them is a HardFault."""

UNMAPPED = ("unmapped-read", "unmapped-write")

IGNORABLE = frozenset({"unmapped-read", "unmapped-write", "write-to-flash"})
"""Bus faults of loads and stores, which a core may be set to ignore at negative priority."""

FETCH = {
    **dict.fromkeys(("fetch-unmapped", "fetch-never", "fetch-erased"), "fetch-outside-code"),
    "no-signature": "bad-exception-return",
}
"""Faults that are reported under another name."""


OF_TARGET = frozenset({*FETCH, "fetch-outside-code", "invalid-state", "protected-fetch"}) - {"no-signature"}
"""Faults of a branch at its target, where no block begins that would show a call."""

PREFETCH, INVALID_STATE = 3, 18
_OF_EMULATOR = {
    4: "alignment-fault",
    7: "breakpoint",
    17: "no-coprocessor",
    19: "stack-limit-fault",
}
"""The library's numbers of exceptions and what they are reported as."""

FAULTS_A_LOOK = 64
"""Faults of a core, handled, after which the device looks whether it is in the same state again."""

ERASED = b"\xff\xff"
NO_LINK = 0xFFFF_FFFF
"""The link register at reset, and an erased word."""
CALL_OF_REGISTER, LOOKED_BACK = 0x4780, 6
"""BLX of R0, and halfwords before it among which the load of its register is looked for."""
"""An instruction of erased flash, which is undefined."""

_NOT_CONFIGURABLE = ("armv6-m", "armv8-m.base")
"""Architectures on which every fault is a HardFault."""


class CoreFaults:
    """What goes wrong on a core."""

    def __init__(self, core: EmulatedCore) -> None:
        self._core = core
        self.noted: list[tuple[str, int, dict[str, int], tuple[int, ...]]] = []
        """Faults that callbacks noted of the current instruction, with the registers before it."""
        self._undo: list[tuple[Backing, int, bytes]] = []
        self.after_run: list[Callable[[], None]] = []
        """What is to be done once the emulator stands."""
        self.traps_alignment = False
        self._recovered = 0
        self.open: list[tuple[int, int]] = []
        """Faults whose handlers run: the exception, and the event's number in the log."""

    def note(self, kind: str, pc: int, numbers: dict[str, int], snapshot: tuple[int, ...]) -> None:
        """Keep a fault for after the instruction; of an access, the alignment is looked at before all else."""
        address, size = numbers.get("address", 0), numbers.get("size", 1)
        if self.trapped(address, size):
            kind, numbers = "alignment-fault", {"address": address, "size": size}
        self.noted.append((kind, pc, numbers, snapshot))

    def trapped(self, address: int, size: int) -> bool:
        """Whether the alignment trap refuses an access; the library takes a pair of words in one of eight bytes."""
        unaligned = address % min(size, 4)
        return bool(unaligned and self._core.system.configuration & ALIGNMENT_TRAP)

    def undo_write(self, address: int, size: int) -> None:
        """From the callback in front of a write: it will be taken back with the fault that is noted."""
        located = self._core.bus.locate(address)
        if located is not None:
            self._undo.append((*located, located[0].read(located[1], size)))

    def raise_noted(self) -> None:
        """Raise the first fault that was noted."""
        (kind, at, numbers, snapshot), *_ = self.noted
        self.noted.clear()
        while self._undo:
            memory, offset, data = self._undo.pop()
            memory.write(offset, data)
        if kind == "reset-requested":
            if not self._core.device.restarts(self._core, at):
                self.stop(kind, at, numbers)
        elif kind == "fetch-unmapped":
            self.of_fetch(numbers["address"] & ~1)
        else:
            self._core.registers.take_back(snapshot)
            if kind in UNMAPPED:
                numbers |= self._core.stack_watch.accessed(at, numbers["address"])
            self.take(kind, at, numbers)

    def of_fetch(self, address: int) -> None:
        """The core goes on at ``address``, where there is no code of it."""
        core = self._core
        numbers = {"address": address, **core.exceptions.left_to(address)}
        if core.time == core.started:
            numbers["reset_vector"] = core.system.vector_table + 4
        elif address | 1 == NO_LINK:
            numbers |= self._why_erased()
        elif not address and self._returns_to(address):
            numbers["last_link"] = core.registers.value(LR)
        if not core.registers.thumb:
            core.pc = address
            self.take("invalid-state", address, numbers)
            return
        if not core.guard.may_execute(address):
            core.pc = address
            numbers |= core.guard.why("execute", address, 2, core.unprivileged)
            self.take("protected-fetch", address, numbers)
            return
        mapped = core.bus.locate(address) is not None
        never = any(span.holds(address) for span in NEVER_EXECUTED)
        if core.bus.read_bytes(address, 2) == ERASED:
            core.pc = address
            erased, by = core.device.who_erased(core, address)
            self.take("fetch-erased", address, numbers | erased, by)
        elif mapped and not never:
            self.stop("fetch-outside-code", address, numbers)
        else:
            core.pc = address
            self.take("fetch-never" if never else "fetch-unmapped", address, numbers)

    def _returns_to(self, address: int) -> bool:
        """Whether code returned to ``address``, by the link register or popped, and did not call it by a register."""
        core = self._core
        link, popped = core.registers.value(LR) & ~1, core.bus.read_word(core.registers.stack - 4)
        call, second = core.instruction(link - 2)
        if (
            not second
            and call & 0xFF87 == CALL_OF_REGISTER
            and core.registers.value(call >> 3 & 15) & ~1 == address
        ):
            return False
        after = instructions(core.bus.read_bytes(link, NEAR_RETURN))
        return link == address or (
            popped == address and any(is_return(*each) and each[0] >> 8 != BRANCH for _, *each in after)
        )

    def _why_erased(self) -> dict[str, int]:
        """Of a branch to an erased word: whether it is the link register as at reset, else where BLX's was loaded."""
        core, link = self._core, self._core.registers.value(LR)
        if link == NO_LINK:
            return {"link": 1}
        call = (link & ~1) - 2
        first, second = core.instruction(call)
        if second or first & 0xFF87 != CALL_OF_REGISTER:
            return {}
        loaded = self._loaded(call, first >> 3 & 15, 2)
        if loaded is None or core.bus.read_word(loaded) != NO_LINK:
            return {}
        return {"word": loaded, "erased": int(core.bus.is_erased(loaded))}

    def _loaded(self, before: int, register: int, steps: int) -> int | None:
        """The address from which the nearest instruction before ``before`` that loads ``register`` alone loads it."""
        core = self._core
        for at in range(before - 2, before - 2 * LOOKED_BACK, -2):
            first, second = core.instruction(at)
            if first & 0xFF00 == 0x4800 | register << 8:
                return (at + 4 & ~3) + (first & 0xFF) * 4
            access = memory_access(first, second)
            if access is None or not access.loads or access.registers != (register,) or access.by is not None:
                continue
            if access.base != register:
                return core.registers.value(access.base) + access.offset
            pointer = self._loaded(at, register, steps - 1) if steps else None
            base = None if pointer is None else core.bus.read_word(pointer)
            return None if base is None else base + access.offset
        return None

    def of_undefined(self, pc: int) -> None:
        """The emulator does not execute the instruction at ``pc``."""
        core = self._core
        need = core.blocks.encoding_at(pc).in_words
        if core.blocks.missing(pc):
            self.take("instruction-missing", pc, {}, {"need": need})
        elif core.blocks.not_emulated(pc):
            self.stop("instruction-not-emulated", pc, {}, {"need": need})
        else:
            data = core.bus.read_bytes(pc, 4)
            self.take("undefined-instruction", pc, {"code": int.from_bytes(data, "little")})

    def of_emulator(self, number: int) -> None:
        """The emulator came to an exception of its own."""
        core = self._core
        if number == INVALID_STATE or (number == PREFETCH and not core.may_execute(core.pc)):
            self.of_fetch(core.pc)
            return
        kind = _OF_EMULATOR.get(number)
        if kind is None:
            self.stop("exception", core.pc, {"number": number})
        elif kind == "no-coprocessor" and core.blocks.missing(core.pc):
            self.take("instruction-missing", core.pc, {}, {"need": core.blocks.encoding_at(core.pc).in_words})
        else:
            self.take(kind, core.pc, {"number": number})

    def take(
        self,
        kind: str,
        pc: int | None,
        numbers: dict[str, int],
        words: dict[str, str] | None = None,
        link: int = 0,
    ) -> None:
        """A fault at ``pc``, or of a return by ``link``: enter its handler, or HardFault's, or lock up."""
        core = self._core
        fault = FAULTS[kind]
        if fault == _UNDEFINED and pc is not None and self._lacks_coprocessor(pc):
            fault = FAULTS["no-coprocessor"]
        if core.plan.architecture in _NOT_CONFIGURABLE and kind != "call-escalated":
            fault = FaultStatus(HARD_FAULT)
        if kind in IGNORABLE and core.system.configuration & IGNORES_BUS_FAULTS and core.negative_priority:
            self._set_status(fault, numbers, False)
            core.skip_instruction(core.pc if pc is None else pc)
            return
        target = core.interrupts.fault_target(fault.exception, core.registers.masks)
        if kind == "call-escalated" and target is not None:
            target = HARD_FAULT
        self._set_status(fault, numbers, target != fault.exception)
        handler = core.bus.read_word(core.system.vector_table + 4 * target) if target else None
        sound = handler is not None and bool(handler & 1) and core.may_execute(handler & ~1)
        if target is None or not sound:
            self.lock_up(kind, pc, numbers, words)
            return
        more = {"handler": handler or 0, "locked_up": 0, "exception": target}
        self._report(kind, pc, {**numbers, **more}, words)
        self.open.append((target, core.device.last_event()))
        core.exceptions.take_fault(target, core.pc if pc is None else pc, link)

    def _lacks_coprocessor(self, pc: int) -> bool:
        """Whether the instruction at ``pc``, which is not executed, is for a coprocessor that is absent or off."""
        number = coprocessor_of(*self._core.instruction(pc))
        return number is not None and not (number in FLOAT and self._core.system.float_unit.is_on)

    def of_stacking(self, kind: str, number: int, return_address: int, numbers: dict[str, int]) -> int | None:
        """The frame of exception ``number`` could not be stacked: the exception that is taken now.

        A derived exception goes first where it is more urgent; the other one stays pending.  None where the
        core locks up.
        """
        core = self._core
        fault = FAULTS[kind]
        if core.plan.architecture in _NOT_CONFIGURABLE:
            fault = FaultStatus(HARD_FAULT)
        target = core.interrupts.fault_target(fault.exception, core.registers.masks)
        self._set_status(fault, numbers, target != fault.exception)
        numbers = {**numbers, "number": number}
        if target is None:
            self.lock_up(kind, return_address, numbers)
            return None
        first, later = target, number
        if core.interrupts.priority(number) <= core.interrupts.priority(target):
            first, later = number, target
        if later != first:
            core.interrupts.pend(later)
        handler = core.bus.read_word(core.system.vector_table + 4 * first)
        more = {"handler": handler or 0, "locked_up": 0, "exception": first}
        self._report(kind, return_address, {**numbers, **more}, None)
        self.open.append((first, core.device.last_event()))
        return first

    def _set_status(self, fault: FaultStatus, numbers: dict[str, int], escalated: bool) -> None:
        status, address = fault.status, numbers.get("address")
        memory = bus = None
        if fault.exception == BUS_FAULT and status & 1 << 9 and address is not None:
            status, bus = status | BUS_ADDRESS_VALID, address
        if fault.exception == MEMORY_FAULT and status & 1 << 1 and address is not None:
            status, memory = status | MEMORY_ADDRESS_VALID, address
        self._core.system.set_fault(
            status, fault.hard | (FORCED if escalated else 0), memory, bus, fault.secure
        )

    def lock_up(
        self, kind: str, pc: int | None, numbers: dict[str, int], words: dict[str, str] | None = None
    ) -> None:
        """A fault that no handler can take."""
        core = self._core
        handler = core.bus.read_word(core.system.vector_table + 4 * HARD_FAULT)
        more = {"handler": handler} if handler is not None else {}
        nested = HARD_FAULT in core.interrupts.active or NMI in core.interrupts.active
        if core.registers.masks.faultmask and not nested:
            more["masked"] = 1
        elif not nested:
            more |= core.exceptions.misplaced(HARD_FAULT)
        core.state = "locked up"
        self._report(kind, pc, {**numbers, **more, "locked_up": 1, "nested": int(nested)}, words)

    def stop(
        self, kind: str, pc: int | None, numbers: dict[str, int], words: dict[str, str] | None = None
    ) -> None:
        """The rehearsal cannot follow the core any further, whatever the hardware would do."""
        core = self._core
        handler = core.bus.read_word(core.system.vector_table + 4 * HARD_FAULT)
        more = {}
        if kind in ("vectors-erased", "vectors-unreadable"):
            more = {"locked_up": 1} if handler is None else {"handler": handler, "locked_up": 1}
        core.state = "locked up" if more else "stopped"
        self._report(kind, pc, {**numbers, **more}, words)

    def _report(
        self, kind: str, pc: int | None, numbers: dict[str, int], words: dict[str, str] | None
    ) -> None:
        """Report a fault; in RAM that no build says is code, that the core went there is the cause."""
        core = self._core
        core.stack_watch.faults()
        if core.calls is not None and pc is not None and kind in OF_TARGET:
            core.calls.enter_block(pc, 0)
        entered = core.blocks.entered_data
        if kind == "protected-fetch":  # that the memory protection forbids it says more
            entered = None
        if entered is not None and pc is not None and core.blocks.is_loaded(pc):
            numbers = {**numbers, "address": entered}
            kind, words = "fetch-outside-code", {"then": FETCH.get(kind, kind)}
        core.report(FETCH.get(kind, kind), pc, numbers, words)

    def recovered(self, number: int) -> None:
        """The handler of exception ``number`` returned."""
        for target, event in self.open:
            if target == number:
                self._core.device.recovered(event)
                self._recovered += 1
        self.open = [each for each in self.open if each[0] != number]
        if self._recovered >= FAULTS_A_LOOK:  # handlers return to what faults again
            self._recovered = 0
            self._core.device.look_soon()
            self._core.hand_over = True
