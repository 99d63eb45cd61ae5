"""Units of a core that are modelled in part: debug units, float unit, security attribution.

Armv7-M and Armv8-M architecture reference manuals, "Debug", "Floating-point extension", "Security attribution unit"
(from memory); each instruction counts as a cycle.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from gemel.rehearsal.plan import CorePlan

SAU_CONTROL, SAU_ENABLE, SAU_ALL_NON_SECURE = 0xE000_EDD0, 1 << 0, 1 << 1
SAU_TYPE, SAU_REGION = 0xE000_EDD4, 0xE000_EDD8

_OF_REGION = 0xE000_EDDC, 0xE000_EDE0
"""Registers of which there is one for each region, the one that SAU_REGION selects: its base and its limit."""


def place_of(words: Mapping[int, int], address: int) -> int:
    """Where the word of a register is kept among ``words``, by its address and the region that is selected."""
    return address | words.get(SAU_REGION, 0) << 32 if address in _OF_REGION else address


def secure_by(words: Mapping[int, int], address: int) -> str:
    """Why an address is Secure for certain; empty where the device may decide.

    What the unit gives to Non-secure state the device may still keep Secure, but not the other way round.
    """
    control = words.get(SAU_CONTROL, 0)
    if not control & SAU_ENABLE:
        off = "the security attribution unit is off, and gives everything to Secure state"
        return "" if control & SAU_ALL_NON_SECURE else off
    found: list[str] = []
    for region in range(words[SAU_TYPE]):
        base, limit = (words.get(each | region << 32, 0) for each in _OF_REGION)
        if limit & 1 and base & ~0x1F <= address <= limit | 0x1F:
            found.append(str(region))
    if not found:
        return "no region of the security attribution unit holds it"
    if len(found) > 1:
        return f"regions {' and '.join(found)} of the security attribution unit overlap there"
    return ""


COPROCESSORS = 0xE000_ED88
FLOAT_CONTEXT, FLOAT_FRAME_ADDRESS, FLOAT_DEFAULTS = 0xE000_EF34, 0xE000_EF38, 0xE000_EF3C
FLOAT_UNIT = 0xF << 20
FLOAT_UNIT_ON = (0xF << 20, 0x5 << 20)
"""Full access, and access for privileged code."""

KEEP_FLOAT, LAZY_FLOAT, SECURE_CONTEXT, LAZY_ACTIVE = 1 << 31, 1 << 30, 1 << 2, 1 << 0


class FloatUnit:
    """That of one core, whose registers are among ``words``; ``used`` says whether the running code has used it."""

    def __init__(self, words: dict[int, int], plan: CorePlan, used: Callable[[], bool]) -> None:
        self._words, self._used = words, used
        words[FLOAT_CONTEXT] = KEEP_FLOAT | LAZY_FLOAT if plan.has_float else 0

    @property
    def is_on(self) -> bool:
        """Whether code may use it."""
        return self._words.get(COPROCESSORS, 0) & FLOAT_UNIT in FLOAT_UNIT_ON

    @property
    def may_restore(self) -> bool:
        """Whether a return may unstack its registers: it is on, or they were never stacked."""
        return self.is_on or bool(self._words[FLOAT_CONTEXT] & LAZY_ACTIVE)

    @property
    def keeps(self) -> bool:
        """Whether an exception keeps the registers of code that uses it."""
        return bool(self._words[FLOAT_CONTEXT] & KEEP_FLOAT)

    @property
    def context(self) -> tuple[bool, int]:
        """Whether float code gets a context of its own that exceptions keep, and FPSCR at its first instruction."""
        return self.keeps, self._words.get(FLOAT_DEFAULTS, 0)

    def save(self) -> None:
        """Stack what was put off, where the running code used the unit."""
        if self._words[FLOAT_CONTEXT] & LAZY_ACTIVE and self._used():
            self._words[FLOAT_CONTEXT] &= ~LAZY_ACTIVE

    def set_lazy_frame(self, address: int | None) -> None:
        """A frame with room for the registers was stacked at ``address``, or (None) is no longer open."""
        context = self._words[FLOAT_CONTEXT] & ~LAZY_ACTIVE
        if address is not None:
            self._words[FLOAT_FRAME_ADDRESS] = address
            if context & LAZY_FLOAT:
                context |= LAZY_ACTIVE
        self._words[FLOAT_CONTEXT] = context

    def read_context(self) -> int:
        """FPCCR as code reads it."""
        self.save()
        return self._words[FLOAT_CONTEXT]


STIMULUS, TRACE_ENABLE, TRACE_CONTROL = 0xE000_0000, 0xE000_0E00, 0xE000_0E80
CYCLE_CONTROL, CYCLE_COUNT = 0xE000_1000, 0xE000_1004
DEBUG_CONTROL, TRACE_ON = 0xE000_EDFC, 1 << 24

OPTIONAL_COUNTER = "the cycle counter was read, which not every core of this architecture has"
"""What the result says of it: one without a counter (DWT_CTRL.NOCYCCNT) waits for ever for a count."""


class DebugUnits:
    """Those of one core, whose registers are among ``words``; what code uses of them is added to ``used``."""

    def __init__(
        self,
        words: dict[int, int],
        bits: Mapping[int, int],
        plan: CorePlan,
        now: Callable[[], int],
        used: set[str],
    ) -> None:
        self._words, self._bits, self._plan, self._now, self._used = words, bits, plan, now, used
        self._from = 0

    def read_cycles(self) -> int:
        """The counter, which goes on with the instructions where it is on."""
        on = self._words.get(CYCLE_CONTROL, 0) & 1
        if on and not self._traces:
            self._used.add("the cycle counter was read while DEMCR.TRCENA was off; it does not count then")
            on = 0
        elif on:
            self._used.add(OPTIONAL_COUNTER)
        return (self._now() - self._from) & 0xFFFF_FFFF if on else self._words.get(CYCLE_COUNT, 0)

    def write_cycles(self, count: int) -> None:
        """Let the counter go on from ``count``."""
        self._words[CYCLE_COUNT] = count
        self._from = self._now() - count

    def write_control(self, address: int, held: int) -> None:
        """Write a register that decides whether the counter counts: it goes on from where it is."""
        counts = self._traces and self._words.get(CYCLE_CONTROL, 0) & 1
        count = self.read_cycles() if counts else self._words.get(CYCLE_COUNT, 0)
        self._words[address] = held
        self.write_cycles(count)

    def read_stimulus(self, port: int) -> int:
        """A port of the trace unit takes all at once where it is on; from Armv8-M on it says where it is off."""
        if not self._bits[TRACE_CONTROL]:
            return 0
        on = self._traces and self._words.get(TRACE_CONTROL, 0) & self._words.get(TRACE_ENABLE, 0) >> port & 1
        return 1 if on else 2 if self._plan.architecture.startswith("armv8") else 0

    @property
    def _traces(self) -> bool:
        """Whether the debug units are on at all."""
        return bool(self._words.get(DEBUG_CONTROL, 0) & TRACE_ON)
