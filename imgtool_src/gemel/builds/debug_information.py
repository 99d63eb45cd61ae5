"""The debug information of an ELF file, read in ``builds.dwarf`` when the first question is asked."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.builds.dwarf.fault import DebugUnreadable
from gemel.builds.dwarf.sections import DebugSections, is_separated

if TYPE_CHECKING:
    from gemel.builds.dwarf.debug_types import DebugTypes
    from gemel.builds.dwarf.lines import LineTable, Programs
    from gemel.builds.dwarf.split import Beside
    from gemel.builds.dwarf.unit_sources import UnitMakers, UnitSources


SINGLE, QUESTIONS = 16, 64
"""Line programs that are read one by one, and questions that are answered from these, before all are read."""


class DebugInformation:
    """What a file's debug information shows, if it has any; nothing of it is read before it is needed."""

    __slots__ = ("_answer", "_file", "_lines", "_own", "_programs", "_questions", "_read", "_whole", "beside")

    def __init__(self, sections: DebugSections, file: str) -> None:
        """``file`` is the path as the user wrote it, for messages.

        ``beside``, if it is set, gives the files that split or separate debug information is in.
        """
        self.beside: Beside | None = None
        self._own: DebugSections = sections
        self._whole: DebugSections | None = None
        self._file = file
        self._answer: DebugTypes | str | None = None
        self._lines: LineTable | None = None
        self._read: list[LineTable] = []
        self._programs: Programs = {}
        self._questions = 0

    @property
    def _sections(self) -> DebugSections:
        """Those of the file, or of the one next to it that has its debug information."""
        if self._whole is None:
            self._whole = self._own
            if self.beside is not None and is_separated(self._own):
                from gemel.builds.dwarf.separate import with_separate_file

                self._whole = with_separate_file(self._own, self.beside)
        return self._whole

    def lines(self) -> LineTable:
        """Source lines by address; a table without rows says why it has none."""
        from gemel.builds.dwarf.lines import read_lines

        return read_lines(self._sections)

    def unit_sources(self) -> UnitSources:
        """Source files by address, a unit at a time; ranges that are empty say why in ``damaged``."""
        from gemel.builds.dwarf.unit_sources import read_unit_sources

        return read_unit_sources(self._sections)

    def unit_makers(self) -> UnitMakers:
        """Producer and source path of each unit; none says why in ``damaged``."""
        from gemel.builds.dwarf.unit_sources import read_unit_makers

        return read_unit_makers(self._sections)

    def line_at(self, address: int) -> str:
        """``file:line`` of the instruction at ``address``; empty where no line program covers it.

        The first few questions read one program each, where none that was read has the answer, then all are read.
        """
        if self._lines is not None:
            return self._lines.at(address)
        from gemel.builds.dwarf.lines import read_lines

        self._questions += 1
        for table in self._read if self._questions <= QUESTIONS else ():
            if found := table.at(address):
                return found
        if len(self._read) < SINGLE and self._questions <= QUESTIONS:
            self._read.append(read_lines(self._sections, address, self._programs))
            if found := self._read[-1].at(address):
                return found
        self._lines = read_lines(self._sections, None, self._programs)
        self._programs.clear()
        return self._lines.at(address)

    def types(self) -> DebugTypes:
        """The types, variables and enumerators; DebugUnreadable (a BuildError) with the reason if none."""
        from gemel.builds.dwarf.debug_types import read_debug_types

        if self._answer is None:
            try:
                self._answer = read_debug_types(self._sections, self._file, self.beside)
            except DebugUnreadable as error:
                self._answer = error.reason
                raise
        if isinstance(self._answer, str):
            raise DebugUnreadable(self._answer, self._file)
        return self._answer
