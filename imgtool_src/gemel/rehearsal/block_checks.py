"""What is looked at once for each new piece of code, before it runs for the first time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple

from gemel.rehearsal.instruction_needs import (
    BASE,
    BASELINE,
    DOUBLE,
    DSP,
    FLOAT,
    LATEST,
    MAINLINE,
    instructions,
    need_of,
)
from gemel.rehearsal.plan import CorePlan

LOOK_AHEAD = 128
"""Bytes looked at where a slice begins in the middle of something."""

_EMULATED_DOUBLE = 10
"""The emulator's number of its one core with a double-precision unit."""


class Doubtful(NamedTuple):
    """An instruction that the core may not execute: where, behind how many others, and what it needs.

    ``switched_off``: the core has what it needs, but it is off.
    """

    address: int
    before: int
    need: str
    switched_off: bool


class BlockChecks:
    """Knows which instructions of a core were looked at, and which of them it must not meet.

    A block is doubtful when it lies outside the core's code, holds an instruction that the layout says the
    core lacks, or one of the float unit while that is switched off.
    """

    def __init__(
        self, plan: CorePlan, read: Callable[[int, int], bytes], float_on: Callable[[], bool]
    ) -> None:
        self.suspect: int | None = None
        self.starts: set[int] = set()
        self._plan, self._read, self._float_on = plan, read, float_on
        self._seen: dict[int, bytes] = {}
        self._covered: set[int] = set()
        self._lacks = set(plan.lacks)
        self._uses_float = plan.has_float

    def known(self, address: int) -> bool:
        """Whether the instruction at ``address`` was looked at and may be met again."""
        return address in self._covered

    def is_doubtful(self, address: int, size: int) -> bool:
        """Whether to stop before the block; a block that is not is known from now on."""
        code = self._read(address, size)
        self.starts.add(address)
        if self._seen.get(address) == code:
            return False
        if not self._executable(address):
            return True
        if next(self._candidates(address, code), None) is not None:
            return True
        self._seen[address] = code
        return False

    def first_doubtful(self, address: int) -> Doubtful | None:
        """The first doubtful instruction from ``address`` on, in straight order; None if there is none near.

        What lies behind a branch may be no instruction at all: whoever asks must go there step by step.
        """
        self.starts.add(address)
        return next(self._candidates(address, self._read(address, LOOK_AHEAD)), None)

    def need_at(self, address: int) -> str:
        """What the instruction at ``address`` needs."""
        for _, first, second in instructions(self._read(address, 4)):
            return need_of(first, second)
        return BASE

    def missing(self, address: int) -> bool:
        """Whether the layout says that the core has no such instruction."""
        return self.need_at(address) in lacking(self._plan.architecture, self._plan.extensions)

    def not_emulated(self, address: int) -> bool:
        """Whether the core has it and the emulator has not."""
        need = self.need_at(address)
        return need == LATEST or (need == DOUBLE and self._plan.emulated_as != _EMULATED_DOUBLE)

    def _executable(self, address: int) -> bool:
        return any(span.holds(address) for span in self._plan.executable)

    def _candidates(self, address: int, code: bytes) -> Iterator[Doubtful]:
        off = self._uses_float and not self._float_on()
        for count, (offset, first, second) in enumerate(instructions(code)):
            need = need_of(first, second)
            if need in self._lacks:
                yield Doubtful(address + offset, count, need, False)
            elif off and need in (FLOAT, DOUBLE):
                yield Doubtful(address + offset, count, need, True)
            else:
                self._covered.add(address + offset)


def lacking(architecture: str, extensions: tuple[str, ...]) -> set[str]:
    """The needs that a core of this architecture and these extensions cannot meet."""
    lacks = set()
    if architecture == "armv6-m":
        lacks |= {BASELINE, MAINLINE}
    if architecture == "armv8-m.base":
        lacks.add(MAINLINE)
    if architecture != "armv8.1-m.main":
        lacks.add(LATEST)
    if "dsp" not in extensions and architecture != "armv8.1-m.main":
        lacks.add(DSP)
    if not {"fp", "fp-double", "mve-fp"} & set(extensions):
        lacks.add(FLOAT)
    if "fp-double" not in extensions:
        lacks.add(DOUBLE)
    return lacks
