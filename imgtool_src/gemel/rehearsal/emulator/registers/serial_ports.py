"""What code sends: the text of each port, line by line, and the texts that are goals."""

from __future__ import annotations

from collections.abc import Callable

from gemel.rehearsal.emulator.registers.register_port import Writer
from gemel.rehearsal.emulator.registers.release import Report
from gemel.rehearsal.raw_run import MAX_TEXT

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
