"""Registers that do something: release of a core, locks, serial ports, events of devices."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from gemel.layout.rehearsal_model import DeviceEvent, MutexRegister
from gemel.rehearsal.emulator.registers.register_port import Writer
from gemel.rehearsal.plan import ReleasePlan
from gemel.rehearsal.raw_run import MAX_TEXT

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.device import Device


Report = Callable[[str, dict[str, int], dict[str, str]], None]
"""Takes an event's kind, numbers and words; who reports it knows core, time and place."""


class ReleaseWatch:
    """The vector and the control register of one secondary, and whether it was released.

    A control register with a key takes a write only with the key in the same write, and does not hold
    the key.  Parts of a word written alone keep the rest of it.
    """

    def __init__(
        self,
        core: str,
        plan: ReleasePlan,
        report: Report,
        start: Callable[[str, int], None],
        hold: Callable[[str], None] = lambda core: None,
    ) -> None:
        """``start`` is called with the core and the vector register's value when the core is released.

        ``hold`` is called with the core when it is put back into reset.
        """
        self.core, self.plan = core, plan
        self._report, self._start, self._hold = report, start, hold
        self.reset()

    def reset(self) -> None:
        """As after a reset of the device: the core is held back."""
        self.released = False
        self.vector: int | None = None
        # Until the release the bits that matter must not read as released.
        self.control = ~self.plan.release_value & self.plan.release_mask & 0xFFFF_FFFF

    def read_vector(self, core: str) -> int:
        """What was last written; 0 before that."""
        return self.vector or 0

    def read_control(self, core: str) -> int:
        """What was last accepted, without the key."""
        return self.control

    def write_vector(self, core: str, value: int, mask: int) -> None:
        """Take the vector address."""
        self.vector = (self.vector or 0) & ~mask | value & mask
        self._report("vector-register", {"value": self.vector}, {"of": self.core})
        if self.released:
            self._report("vector-after-release", {"value": self.vector}, {"of": self.core})

    def write_control(self, core: str, value: int, mask: int) -> None:
        """Take a write to the control register: release, hold back, or refuse for lack of the key."""
        plan = self.plan
        with_key = value & mask & plan.key_mask == plan.key_value
        wanted = self.control & ~mask | value & mask & ~plan.key_mask
        releases = wanted & plan.release_mask == plan.release_value
        if not with_key:
            if releases and not self.released:
                numbers = {"register": plan.control_register, "value": value & mask}
                numbers |= {"key_mask": plan.key_mask, "key_value": plan.key_value}
                self._report("release-without-key", numbers, {"of": self.core})
            return
        self.control = wanted
        if releases and not self.released:
            self.released = True
            self._start(self.core, self.vector if self.vector is not None else 0)
        elif not self.released and value & mask:
            self._report("control-register", {"value": value & mask}, {"of": self.core})
        elif self.released and not releases:
            self.released = False
            self._report("held-back-again", {"value": wanted}, {"of": self.core})
            self._hold(self.core)


class Mutex:
    """A lock of the device."""

    def __init__(self, plan: MutexRegister, report: Report) -> None:
        self.plan = plan
        self.holder = ""
        self.waited: set[str] = set()
        self._report = report

    def read(self, core: str) -> int:
        """Take the lock if it is free."""
        if self.holder:
            self.waited.add(core)
            return self.plan.busy
        self.holder = core
        self._report("lock-taken", {"register": self.plan.at}, {})
        return self.plan.taken

    def write(self, core: str, value: int, mask: int) -> None:
        """Give it back; a core that has not got it changes nothing, and is reported."""
        if self.holder != core:
            self._report("lock-not-held", {"register": self.plan.at}, {"holder": self.holder})
            return
        self.holder = ""
        self._report("lock-given-back", {"register": self.plan.at}, {})


MAX_LINE = 1000
"""Characters of a line that the timeline shows."""


class SerialPorts:
    """All ports that the layout describes; ``sought`` are texts that are goals, by number: core and text.

    ``found`` is called with the number of a text that was sent.
    """

    def __init__(
        self, report: Report, sought: dict[int, tuple[str, str]], found: Callable[[int], None]
    ) -> None:
        self.texts: dict[str, str] = {}
        self._report, self._sought, self._found = report, sought, found
        self._lines: dict[tuple[str, str], str] = {}
        self._tails: dict[tuple[int, str], str] = {}

    def writer(self, name: str) -> Writer:
        """What is done with a write to the data register of a port."""
        self.texts[name] = ""

        def write(core: str, value: int, mask: int) -> None:
            if mask & 0xFF:
                self._sent(name, core, chr(value & 0xFF))

        return write

    def _sent(self, port: str, core: str, character: str) -> None:
        """A character goes out: kept, looked at for goals, and reported line by line."""
        if len(self.texts[port]) < MAX_TEXT:
            self.texts[port] += character
        if character == "\n":
            self._report("text", {}, {"port": port, "line": self._lines.pop((port, core), "")})
        else:
            line = self._lines.get((port, core), "")
            if len(line) < MAX_LINE:
                self._lines[port, core] = line + character
        for index, (whose, text) in list(self._sought.items()):
            if whose == core:
                tail = (self._tails.get((index, port), "") + character)[-len(text) :]
                self._tails[index, port] = tail
                if tail == text:
                    del self._sought[index]
                    self._found(index)

    @property
    def in_line(self) -> bool:
        """Whether a line of text was begun and not ended."""
        return bool(self._lines)

    def finish(self) -> None:
        """Report what was sent after the last end of a line."""
        for (port, core), line in sorted(self._lines.items()):
            self._report("text", {}, {"port": port, "line": line, "of": core})
        self._lines.clear()


class DescribedEvent:
    """One event of the layout, from when it may come until it is cleared."""

    def __init__(self, plan: DeviceEvent, enable_value: Callable[[], int], device: Device) -> None:
        """``enable_value`` gives what was last written to the register that lets it run."""
        self.plan = plan
        self.happened = self.started = False
        """``started``: the register that starts it was written."""
        self._enable_value, self._device = enable_value, device
        self._coming = self.busy = False

    def reset(self) -> None:
        """As before anything happened; what was still to come does not come."""
        self.happened = self.started = self._coming = self.busy = False

    @property
    def is_off(self) -> bool:
        """Whether code has not let it come: it neither counts a period nor was ever started."""
        started = self.started or (self.plan.every is not None and self._runs)
        return not (started or self.happened)

    @property
    def _runs(self) -> bool:
        bits = self.plan.enable_bits
        return self.plan.enabled_at is None or self._enable_value() & bits == bits

    def look(self) -> None:
        """The register that lets it run was written, or its core starts."""
        if self.plan.every is not None and self._runs and not self._coming:
            self._coming = True
            self._device.later(self.plan.core, self.plan.every, self._happens)

    def written(self) -> None:
        """The register that starts it was written."""
        self.started = True
        if self._runs:
            self.busy = True
            self._device.later(self.plan.core, self.plan.delay, self._happens)

    def _happens(self, time: int) -> None:
        plan = self.plan
        self._coming = self.busy = False
        if not self._runs:
            return
        self.happened = plan.status_at is not None or plan.clear_at is not None
        if plan.interrupt is not None and plan.clear_at is None:
            self._device.pulse(plan.core, plan.interrupt)
        elif plan.interrupt is not None:
            self._device.set_line(plan.core, plan.interrupt, True)
        self.look()

    def cleared(self, value: int) -> None:
        """``value`` was written to the register that clears it, or (0) that register was read."""
        how, bits = self.plan.cleared_by, self.plan.status_bits
        clears = (how == "one" and value & bits) or (how == "zero" and ~value & bits)
        if self.happened and (clears or how in ("read", "write")):
            self.happened = False
            if self.plan.interrupt is not None:
                self._device.set_line(self.plan.core, self.plan.interrupt, False)

    def cleared_by_read(self, core: str) -> int:
        """The register that clears it was read; no bit of what that reads is the event's."""
        self.cleared(0)
        return 0

    def status(self) -> int:
        """The bits that show it."""
        happened = self.plan.status_bits if self.happened else 0
        return happened | (self.plan.busy_bits if self.busy else 0)
