"""A signal to stop while outputs are written: clean up first, then stop.

The system's request to end (SIGTERM, SIGHUP, SIGBREAK where they exist) would end the process at once
and leave temporary files.  While ``Stopping`` is entered, it and Ctrl-C are only noted down, and
the writer asks between two blocks: so nothing is ever cut at a place that was not meant for it.
"""

from __future__ import annotations

import _signal as signal  # type: ignore[import-not-found]  # without the enumerations of ``signal``
from types import FrameType
from typing import Any

NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


class Stopped(KeyboardInterrupt):
    """The process was asked to stop; ``exit_code`` is 128 and the signal's number (common practice)."""

    def __init__(self, number: int) -> None:
        super().__init__(next(name for name in NAMES if getattr(signal, name, None) == number))
        self.exit_code = 128 + number


class Stopping:
    """Notes requests to stop while it is entered.

    A request that ``check`` is not asked about any more comes too late and is dropped.  Handlers belong to
    the main thread: in any other this does nothing.  A signal that the process was started to ignore
    (as ``nohup`` does) stays ignored.
    """

    def __init__(self) -> None:
        self._asked: int | None = None
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Stopping:
        for name in NAMES:
            number = getattr(signal, name, None)
            if number is None or signal.getsignal(number) in (signal.SIG_IGN, None):
                continue
            try:
                self._before[number] = signal.signal(number, self._note)
            except ValueError:  # not the main thread
                break
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def check(self) -> None:
        """Raise Stopped if the process was asked to stop."""
        if self._asked is not None:
            raise Stopped(self._asked)

    def _note(self, number: int, _: FrameType | None) -> None:
        self._asked = number
