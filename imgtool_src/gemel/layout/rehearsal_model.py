"""The `[rehearsal]` table: what the emulated device answers, and where each core has to get to.

Everything here is optional.  Addresses are plain ones, as the primary and the programmer see them.
"""

from __future__ import annotations

from collections.abc import Iterator

from gemel.layout.kinds import Address, Choice, Flag, Integer, KeyPath, Size, Text, Word, key
from gemel.layout.tables import LABEL, NAME, ListOf, MapOf, Table
from gemel.structs import Struct

DEFAULT_BUDGET = 20_000_000
MAX_BUDGET = 10_000_000_000
ALL_BITS = 0xFFFF_FFFF
REGISTER_NAME = r"[A-Za-z0-9_-]{1,64}"


class ConstantRegister(Struct, kw_only=True):
    """A register that always reads the same."""

    at: int = key(Address(), "its address")
    value: int = key(Word(), "what it reads")


class SequenceRegister(Struct, kw_only=True):
    """A register that reads one value after the other, such as a status that becomes ready."""

    at: int = key(Address(), "its address")
    values: tuple[int, ...] = key(ListOf(Word(), 256), "what it reads, one value a read")
    repeat: bool = key(Flag(), "start again after the last value; else the last one stays", False)


class HeldRegister(Struct, kw_only=True):
    """A register that reads what was last written."""

    at: int = key(Address(), "its address")
    reset: int = key(Word(), "what it reads before the first write", 0)
    writable: int = key(Word(), "bits that a write changes; the device keeps the others", ALL_BITS)


class ReadyBits(Struct, kw_only=True):
    """Bits that read one while other bits are set: a clock that is ready once it is enabled.

    Both may be in one register.  Several entries may share an address.
    """

    at: int = key(Address(), "the register that is read")
    bits: int = key(Word(), "the bits that read one")
    follow_at: int = key(Address(), "the register whose bits they follow; it reads what was written")
    follow_bits: int = key(Word(), "bits that are all set while they read one")


class RegisterByCore(Struct, kw_only=True):
    """A register that reads another value on each core, such as a core's number."""

    at: int = key(Address(), "its address")
    values: dict[str, int] = key(MapOf(Word(), 16), "what each core reads; a core that is left out reads 0")


class DeviceEvent(Struct, kw_only=True):
    """What a device does by itself: a timer's period, a byte sent, a conversion ended.

    It comes every so many instructions, or so long after a write.  It may set status bits and interrupt a
    core: with ``clear_at`` for as long as it is not cleared (level), else once each time (edge).
    """

    core: str = key(NAME, "the core that is interrupted, and whose instructions count")
    every: int | None = key(Integer(1, 1 << 40), "instructions from one event to the next", None)
    after_write: int | None = key(Address(), "the register whose write starts it; instead of every", None)
    delay: int = key(Integer(1, 1 << 40), "instructions from that write to the event", 100)
    interrupt: int | None = key(Integer(0, 495), "number of the core's external interrupt", None)
    enabled_at: int | None = key(Address(), "the register that lets it run; absent: it always does", None)
    enable_bits: int = key(Word(), "bits of that register that are all set while it runs", 1)
    status_at: int | None = key(Address(), "a register that reports the event", None)
    status_bits: int = key(Word(), "bits that read one from the event until it is cleared", 1)
    busy_bits: int = key(Word(), "bits of status_at that read one from that write until the event", 0)
    clear_at: int | None = key(Address(), "the register that clears the event", None)
    cleared_by: str = key(
        Choice("one", "zero", "write", "read"), "a one or a zero in a status bit, any write, or a read", "one"
    )


class FlashUnlock(Struct, kw_only=True):
    """The register that unlocks a flash controller."""

    at: int = key(Address(), "its address")
    keys: tuple[int, ...] = key(ListOf(Word(), 8), "the keys, written in this order")


class FlashController(Struct, kw_only=True):
    """Registers that program and erase a flash memory; the layout states its erase_block.

    While the command is program, stores into the flash program it; with ``data_at`` a write of the command
    does, and stores into the flash stay a finding.  Each write of the command erase erases one block.  Where the
    memory's write_unit is more than one byte, each byte is programmed once after an erase, and units whole.
    """

    memory: str = key(NAME, "the flash memory")
    command_at: int = key(Address(), "the register that selects what is done")
    command_mask: int | None = key(
        Word(), "bits that select; absent: a command is selected when its own bits are set", None
    )
    program: int = key(Word(), "the command that programs", 1)
    erase: int = key(Word(), "the command that erases the block at address_at", 2)
    address_at: int = key(Address(), "the register that holds the address to erase or program")
    data_at: int | None = key(Address(), "the register that holds the word to program", None)
    unlock: FlashUnlock | None = key(Table(FlashUnlock), "what unlocks it; absent: never locked", None)
    lock_bits: int = key(Word(), "bits of the command register that lock it again", 0)
    status_at: int | None = key(Address(), "the register that shows whether it is busy", None)
    busy_bits: int = key(Word(), "bits that read one while it is busy", 1)
    duration: int = key(Integer(1, 1 << 40), "instructions that it is busy with one command", 100)


class SetClearRegister(Struct, kw_only=True):
    """One value with an address that sets bits in it and one that clears bits."""

    value_at: int = key(Address(), "where the value is read")
    set_at: int = key(Address(), "a one written here sets that bit")
    clear_at: int = key(Address(), "a one written here clears that bit")
    reset: int = key(Word(), "the value at reset", 0)


class StatusRegister(Struct, kw_only=True):
    """Bits of a register that show how a core is; several entries may share one address."""

    at: int = key(Address(), "its address")
    core: str = key(NAME, "the core that it reports")
    sleeping: int = key(Word(), "bits that read one while the core sleeps", 0)
    locked_up: int = key(Word(), "bits that read one once the core is locked up", 0)


class InterCoreInterrupt(Struct, kw_only=True):
    """A register with which one core interrupts another: up to 32 interrupts one way."""

    sender: str = key(NAME, "the core that raises it", name="from")
    receiver: str = key(NAME, "the core that is interrupted", name="to")
    set_at: int = key(Address(), "a one written here makes that interrupt pending")
    clear_at: int = key(Address(), "a one written here takes it back")
    pending_at: int | None = key(Address(), "where what is pending is read; absent: at clear_at", None)
    mask: int = key(Word(), "bits that exist", ALL_BITS)
    interrupt: int = key(Integer(0, 495), "number of the receiver's external interrupt for bit 0")
    shared_line: bool = key(Flag(), "all bits raise this one interrupt; else each bit the next one", False)


class MutexRegister(Struct, kw_only=True):
    """A lock: a read takes it and shows whether it did, a write gives it back."""

    at: int = key(Address(), "its address")
    taken: int = key(Word(), "what a read gives that takes the lock", 1)
    busy: int = key(Word(), "what a read gives while the other core has it", 0)
    guards: str | None = key(NAME, "the shared area that may be touched with this lock only", None)


class SerialRegister(Struct, kw_only=True):
    """A register whose writes are characters of a text."""

    at: int = key(Address(), "the data register's address")
    name: str = key(LABEL, "what the rehearsal calls the port", "serial")


class RegistersOf(Struct, kw_only=True):
    """Registers that only the named cores may touch."""

    start: int = key(Address(), "first address")
    size: int = key(Size(), "bytes")
    cores: tuple[str, ...] = key(ListOf(NAME, 16), "the cores they are given to")


class SharedWord(Struct, kw_only=True):
    """A word of memory that takes a value."""

    at: int = key(Address(), "its address")
    value: int = key(Word(), "the value")
    mask: int = key(Word(), "bits that matter", ALL_BITS)


class Goal(Struct, kw_only=True):
    """What has to happen; exactly one of symbol, address, word and text."""

    core: str = key(NAME, "the core it is expected of")
    symbol: str | None = key(Text(512), "a function or label that the core reaches", None)
    address: int | None = key(Address(), "an address that the core reaches, as it sees it", None)
    word: SharedWord | None = key(Table(SharedWord), "a word of memory that takes a value", None)
    text: str | None = key(Text(256), "text that the core sends to a serial register", None)


class RehearsalPlan(Struct, kw_only=True):
    """The emulated device beyond its memories, and what both cores must get to."""

    budget: int = key(
        Integer(1, MAX_BUDGET),
        "instructions that each core may take from the primary's reset",
        DEFAULT_BUDGET,
    )
    required: bool = key(Flag(), "a check includes the rehearsal", False)
    goals: tuple[Goal, ...] = key(ListOf(Table(Goal), 64), "what must happen", (), name="goal")
    serial: tuple[SerialRegister, ...] = key(ListOf(Table(SerialRegister), 16), "serial ports", ())
    constants: tuple[ConstantRegister, ...] = key(
        ListOf(Table(ConstantRegister), 256), "registers of one value", (), name="constant"
    )
    sequences: tuple[SequenceRegister, ...] = key(
        ListOf(Table(SequenceRegister), 64), "registers of changing values", (), name="sequence"
    )
    held: tuple[HeldRegister, ...] = key(
        ListOf(Table(HeldRegister), 256), "registers that read what was written", ()
    )
    set_clear: tuple[SetClearRegister, ...] = key(
        ListOf(Table(SetClearRegister), 64), "values with a set and a clear address", ()
    )
    ready: tuple[ReadyBits, ...] = key(ListOf(Table(ReadyBits), 64), "bits that follow other bits", ())
    by_core: tuple[RegisterByCore, ...] = key(
        ListOf(Table(RegisterByCore), 32), "registers that read another value on each core", ()
    )
    events: tuple[DeviceEvent, ...] = key(
        ListOf(Table(DeviceEvent), 64), "what devices do by themselves", (), name="event"
    )
    flash_controllers: tuple[FlashController, ...] = key(
        ListOf(Table(FlashController), 8), "what programs and erases flash", (), name="flash_controller"
    )
    status: tuple[StatusRegister, ...] = key(
        ListOf(Table(StatusRegister), 32), "registers that report how a core is", ()
    )
    interrupts: tuple[InterCoreInterrupt, ...] = key(
        ListOf(Table(InterCoreInterrupt), 16), "interrupts between cores", (), name="inter_core_interrupt"
    )
    mutexes: tuple[MutexRegister, ...] = key(
        ListOf(Table(MutexRegister), 64), "locks between cores", (), name="mutex"
    )
    registers_of: tuple[RegistersOf, ...] = key(
        ListOf(Table(RegistersOf), 64), "which registers are given to which core", ()
    )
    register_names: dict[str, int] = key(
        MapOf(Address(), 4096, REGISTER_NAME), "names of registers in messages", {}, name="register_name"
    )
    stack_sizes: dict[str, int] = key(
        MapOf(Size(), 16), "bytes that each core's stack may take", {}, name="stack_size"
    )


TABLES = {
    "constant": ("constants", ("at",)),
    "sequence": ("sequences", ("at",)),
    "held": ("held", ("at",)),
    "serial": ("serial", ("at",)),
    "mutex": ("mutexes", ("at",)),
    "status": ("status", ("at",)),
    "ready": ("ready", ("at", "follow_at")),
    "by_core": ("by_core", ("at",)),
    "event": ("events", ("after_write", "enabled_at", "status_at", "clear_at")),
    "flash_controller": ("flash_controllers", ("command_at", "address_at", "data_at", "unlock", "status_at")),
    "set_clear": ("set_clear", ("value_at", "set_at", "clear_at")),
    "inter_core_interrupt": ("interrupts", ("set_at", "clear_at", "pending_at")),
}
"""The kinds of description, as the layout names them: the plan's field, and which keys are registers."""


def described_registers(plan: RehearsalPlan) -> Iterator[tuple[KeyPath, int]]:
    """Every register that a layout describes: where the layout says so, and its address."""
    for kind, (field, keys) in TABLES.items():
        for index, entry in enumerate(getattr(plan, field)):
            for each in keys:
                address = getattr(entry, each)
                address = address.at if isinstance(address, FlashUnlock) else address
                if address is not None:
                    yield ("rehearsal", kind, index, each), address
