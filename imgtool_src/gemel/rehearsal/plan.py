"""What the emulated device is made of: plain data, worked out beforehand.

The process that emulates needs neither layout nor builds.

Addresses are those of the core that a part belongs to, unless they are said to be plain.
"""

from __future__ import annotations

from functools import cached_property
from typing import Literal

from gemel.layout.rehearsal_model import RehearsalPlan
from gemel.m_profile.capabilities import Capability
from gemel.spans import Span
from gemel.structs import Struct

NEVER_EXECUTED = (Span(0x4000_0000, 0x2000_0000), Span(0xA000_0000, 0x6000_0000))
"""Where the default memory map of an M-profile core executes nothing: devices and system."""

PAGE = 1024
"""Bytes of the emulator's pages: permissions and mappings go by these."""

MIN_TURN, MAX_TURN = 64, 1024
"""Instructions that a core may be ahead of another: few while they talk, more while they do not."""

FILL = bytes((0xC5, 0xD6, 0xE7, 0xF8))
"""What RAM holds before anybody writes it.  As a word it is 0xF8E7_D6C5, an unmapped address."""

FIRST_PUSH = 64
"""Bytes that code may have pushed onto a stack before its pointer is seen for the first time."""

MAX_SHARED = 1 << 16
"""Bytes of each shared area that a result holds."""

MemoryKind = Literal["flash", "ram", "rom"]


class MemoryPlan(Struct):
    """A memory with its bytes at reset: ``pieces`` by offset, ``fill`` repeated everywhere else.

    ``erase_block`` bytes are erased at once, ``write_unit`` bytes programmed.
    """

    name: str
    kind: MemoryKind
    size: int
    fill: bytes
    pieces: tuple[tuple[int, bytes], ...]
    erase_block: int = 1
    write_unit: int = 1


class MemoryView(Struct):
    """Where a core sees a memory."""

    start: int
    memory: str
    size: int

    @property
    def span(self) -> Span:
        """The addresses."""
        return Span(self.start, self.size)


class Closed(Struct):
    """Addresses that a core must not write: ``what`` is the event's kind, ``party`` whose they are.

    ``from_release_of`` names the core at whose release the span closes: before it, the primary copies there.
    """

    span: Span
    what: str
    party: str
    from_release_of: str = ""


class CopiedBuild(Struct):
    """A build that the primary copies to RAM before the release: where, and what must be there."""

    build: str
    memory: str
    pieces: tuple[tuple[int, bytes], ...]


class ReleasePlan(Struct):
    """The registers (plain addresses) that start a core, and the vector address that is expected.

    ``expected`` None: nothing shows where its vectors are.
    """

    vector_register: int
    control_register: int
    release_mask: int
    release_value: int
    key_mask: int
    key_value: int
    expected: int | None
    copied: tuple[CopiedBuild, ...] = ()

    def releases(self, value: int) -> bool:
        """Whether this value, written to the control register, releases the core, as for its key."""
        return value & self.key_mask == self.key_value and value & self.release_mask == self.release_value


class CorePlan(Struct, dict=True):
    """A core.

    ``emulated_as`` is the emulator's number of the nearest core, ``lacks`` what this core cannot execute,
    ``executable`` where its code is, ``loadable`` where code may be written and run, ``devices`` its device
    registers as (span, plain start), ``guarded`` the areas that a lock guards, ``own_ram`` its areas as (area,
    memory, offset, size), ``vectors`` where its vector table is, of the primary at reset; None: nothing shows it.
    """

    name: str
    primary: bool
    architecture: str
    extensions: tuple[str, ...]
    emulated_as: int
    lacks: tuple[Capability, ...]
    interrupts: int
    windows: tuple[MemoryView, ...]
    devices: tuple[tuple[Span, int], ...]
    executable: tuple[Span, ...]
    loadable: tuple[Span, ...]
    closed: tuple[Closed, ...]
    guarded: tuple[tuple[Span, str], ...]
    stack_limit: int | None
    own_ram: tuple[tuple[str, str, int, int], ...]
    vectors: int | None
    release: ReleasePlan | None

    @cached_property
    def secure(self) -> bool:
        """Whether it has the Security Extension, and so starts in Secure state."""
        return "security" in self.extensions

    @property
    def aligned_only(self) -> bool:
        """Whether every unaligned access faults."""
        return self.architecture in ("armv6-m", "armv8-m.base")

    @cached_property
    def has_float(self) -> bool:
        """Whether it has a float unit."""
        return any(each in self.extensions for each in ("fp", "fp-double", "mve-fp"))


class GoalPlan(Struct):
    """A goal with its symbol resolved; ``label`` is how the layout says it."""

    core: str
    label: str
    address: int | None = None
    word: tuple[str, int, int, int] | None = None
    text: str | None = None


class DevicePlan(Struct):
    """A whole device, ready to start; ``shared`` are the shared areas as (area, memory, offset, size).

    ``interleaving`` other than 0 is another order of the cores' instructions, ``pause`` the core and the address of an
    instruction before which it lets the others go first, once; ``traced`` runs are looked at for races.
    """

    memories: tuple[MemoryPlan, ...]
    cores: tuple[CorePlan, ...]
    registers: RehearsalPlan
    goals: tuple[GoalPlan, ...]
    budget: int
    shared: tuple[tuple[str, str, int, int], ...] = ()
    watches: tuple[str, ...] = ()
    interleaving: int = 0
    pause: tuple[str, int] | None = None
    traced: bool = False
    exact: bool = True
    notes: tuple[str, ...] = ()

    @property
    def other_moments(self) -> bool:
        """Whether ticks and events of devices come at other moments, too: in each third interleaving."""
        return self.interleaving > 0 and self.interleaving % 3 == 0

    def lines_between(self, receiver: str) -> dict[int, str]:
        """The exceptions of a core that another one raises, each with the core that does."""
        return {
            16 + each.interrupt + (0 if each.shared_line else bit): each.sender
            for each in self.registers.interrupts
            if each.receiver == receiver
            for bit in range(32)
            if each.mask >> bit & 1
        }
