"""What devices do by themselves, as the layout describes it: periods, bytes sent, conversions ended."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from gemel.layout.rehearsal_model import DeviceEvent

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.device import Device


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
