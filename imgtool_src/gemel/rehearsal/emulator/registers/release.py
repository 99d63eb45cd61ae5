"""Watching the registers that start a secondary core, as the layout describes them."""

from __future__ import annotations

from collections.abc import Callable

from gemel.rehearsal.plan import ReleasePlan

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
                numbers = {"value": value & mask, "key_mask": plan.key_mask, "key_value": plan.key_value}
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
