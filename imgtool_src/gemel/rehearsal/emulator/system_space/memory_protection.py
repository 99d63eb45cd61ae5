"""What the memory protection unit allows: from its registers to permissions by address.

Armv6-M and Armv7-M architecture reference manuals, "Protected Memory System Architecture, PMSAv6 and PMSAv7";
Armv8-M architecture reference manual, "PMSAv8" (from memory).  Nothing here knows an emulator.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from gemel.rehearsal.plan import NEVER_EXECUTED, CorePlan
from gemel.spans import Span
from gemel.structs import NamedTuple

TYPE, CONTROL, NUMBER, BASE_ADDRESS, RASR_OR_RLAR = (0xE000_ED90 + 4 * index for index in range(5))
LAST_ALIAS = 0xE000_EDB8
ENABLE, AT_NEGATIVE_PRIORITY, BACKGROUND = 1 << 0, 1 << 1, 1 << 2
_NUMBER_GIVEN = 1 << 4
_SIZE_BITS = 0x173F_FF3F
"""Bits of the size register of PMSAv7 that keep what is written: XN, AP, TEX, S, C, B, SRD, SIZE, ENABLE."""

PRIVATE = Span(0xE000_0000, 0x10_0000)
"""The private peripheral space, which the unit does not guard."""

_SPACE = 1 << 32

REGIONS = {"armv8-m.main": 16, "armv8.1-m.main": 16}
"""Regions by architecture; 8 elsewhere (implementation defined)."""


class Rights(NamedTuple):
    """What privileged and unprivileged code may do at an address."""

    read: bool
    write: bool
    execute: bool
    user_read: bool
    user_write: bool
    user_execute: bool

    def allow(self, access: str, unprivileged: bool) -> bool:
        """Whether ``access`` (read, write or execute) is allowed."""
        return bool(getattr(self, f"user_{access}" if unprivileged else access))


NONE = Rights(*(False,) * 6)
_V7_ACCESS = {
    1: (True, True, False, False),
    2: (True, True, True, False),
    3: (True, True, True, True),
    5: (True, False, False, False),
    6: (True, False, True, False),
    7: (True, False, True, False),
}
"""Read and write of privileged code, then of unprivileged code, by the field AP of PMSAv7."""
_V8_ACCESS = (
    (True, True, False, False),
    (True, True, True, True),
    (True, False, False, False),
    (True, False, True, False),
)
"""The same by the field AP of PMSAv8."""


def _permissions(access: tuple[bool, bool, bool, bool], never: bool) -> Rights:
    read, write, user_read, user_write = access
    return Rights(read, write, read and not never, user_read, user_write, user_read and not never)


class MemoryProtection:
    """The unit's registers and what they allow; ``version`` changes with every write that may change that."""

    def __init__(self, plan: CorePlan) -> None:
        self.regions = REGIONS.get(plan.architecture, 8) if "mpu" in plan.extensions else 0
        self.control = self.version = 0
        self._number = 0
        self._limits = plan.architecture.startswith("armv8")
        self._registers: dict[int, tuple[int, int]] = {}
        """Base address register and size or limit register by region."""
        self._map: list[tuple[Span, Rights]] | None = None

    @property
    def has_limits(self) -> bool:
        """Whether regions are given by their first and last address (PMSAv8), where none may overlap."""
        return self._limits

    @property
    def on(self) -> bool:
        """Whether it guards accesses at all."""
        return bool(self.control & ENABLE)

    def state(self) -> tuple[object, ...]:
        """Everything that decides what it allows and what its registers read."""
        return self.control, self._number, tuple(sorted(self._registers.items()))

    # -- registers -----------------------------------------------------------------------------------

    def read(self, address: int) -> int:
        """The register at ``address``, from TYPE to the last alias."""
        if address == TYPE:
            return self.regions << 8
        if address == CONTROL:
            return self.control
        if address == NUMBER:
            return self._number
        region, which = self._chosen(address)
        base = self._registers.get(region, (0, 0))[which]
        return base | region if which == 0 and not self._limits else base

    def write(self, address: int, value: int) -> None:
        """Write the register; what it makes of a region that the unit does not have is ignored."""
        if address == TYPE or not self.regions:
            return
        if address == CONTROL:
            self.control = value & 7
        elif address == NUMBER:
            self._number = value & 0xFF if value & 0xFF < self.regions else self._number
        else:
            _, which = self._chosen(address)
            if not self._limits and not which and value & _NUMBER_GIVEN:
                if value & 0xF >= self.regions:
                    return
                self._number = value & 0xF
            region, _ = self._chosen(address)
            if region >= self.regions:
                return
            kept = list(self._registers.get(region, (0, 0)))
            kept[which] = value if self._limits else value & (_SIZE_BITS if which else ~0x1F)
            self._registers[region] = kept[0], kept[1]
        self.version += 1
        self._map = None

    def _chosen(self, address: int) -> tuple[int, int]:
        """The region that a register is of, and 0 for its base, 1 for its size or limit."""
        pair, which = divmod((address - BASE_ADDRESS) // 4, 2)
        return (self._number & ~3 | pair if self._limits and pair else self._number), which

    # -- what is allowed -----------------------------------------------------------------------------

    def at(self, address: int) -> Rights:
        """The permissions at an address while the unit is on."""
        return next(permissions for span, permissions in self.map() if span.holds(address))

    def regions_at(self, address: int) -> dict[str, int]:
        """The regions that hold an address, as ``regions`` (a bit each), and of the one that decides the addresses."""
        found = [
            (number, span)
            for number in sorted(self._registers)
            for span, _ in self._spans(number)
            if span.holds(address)
        ]
        numbers = {"regions": sum(1 << number for number, _ in found)}
        return numbers | {"start": found[-1][1].start, "last": found[-1][1].last} if found else numbers

    def map(self) -> list[tuple[Span, Rights]]:
        """The permissions of the whole address space while the unit is on, in order of addresses."""
        if self._map is None:
            self._map = list(self._worked_out())
        return self._map

    def _worked_out(self) -> Iterator[tuple[Span, Rights]]:
        regions = [each for number in sorted(self._registers) for each in self._spans(number)]
        edges = {0, _SPACE, PRIVATE.start, PRIVATE.end}
        for span in (*NEVER_EXECUTED, *(span for span, _ in regions)):
            edges.update(edge for edge in (span.start, span.end) if edge <= _SPACE)
        held: tuple[Span, Rights] | None = None
        for start, end in pairwise(sorted(edges)):
            permissions = self._of(start, regions)
            if held is not None and held[1] == permissions:
                held = Span.from_bounds(held[0].start, end), permissions
                continue
            if held is not None:
                yield held
            held = Span.from_bounds(start, end), permissions
        if held is not None:
            yield held

    def _of(self, address: int, regions: list[tuple[Span, Rights]]) -> Rights:
        never = any(span.holds(address) for span in NEVER_EXECUTED)
        found = [permissions for span, permissions in regions if span.holds(address)]
        if PRIVATE.holds(address):
            permissions = _permissions((True, True, True, True), never)
        elif not found:
            permissions = (
                _permissions((True, True, False, False), never) if self.control & BACKGROUND else NONE
            )
        elif self._limits and len(found) > 1:
            permissions = NONE
        else:
            permissions = found[-1]
        return permissions._replace(execute=False, user_execute=False) if never else permissions

    def _spans(self, number: int) -> Iterator[tuple[Span, Rights]]:
        """The addresses of a region that is enabled, without the subregions that are not."""
        base, other = self._registers[number]
        if not other & 1:
            return
        if self._limits:
            start, end = base & ~0x1F, (other | 0x1F) + 1
            if start < end:
                yield Span.from_bounds(start, end), _permissions(_V8_ACCESS[base >> 1 & 3], bool(base & 1))
            return
        size = 2 << (other >> 1 & 0x1F)
        if size < 32:
            return
        permissions = _permissions(_V7_ACCESS.get(other >> 24 & 7, (False,) * 4), bool(other >> 28 & 1))
        start, disabled = base & ~(size - 1), other >> 8 & 0xFF if size >= 256 else 0
        if not disabled:
            yield Span(start, size), permissions
            return
        for index in range(8):
            if not disabled >> index & 1:
                yield Span(start + index * size // 8, size // 8), permissions
