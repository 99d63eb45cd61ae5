"""A lock of the device: a register that a read takes and a write gives back."""

from __future__ import annotations

from gemel.layout.rehearsal_model import MutexRegister
from gemel.rehearsal.emulator.registers.release import Report


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
