"""The debug information of an ELF file, read in ``builds.dwarf`` when the first question is asked."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gemel.builds.dwarf.debug_types import DebugTypes
    from gemel.builds.dwarf.lines import LineTable
    from gemel.builds.dwarf.sections import DebugSections


class DebugInformation:
    """What a file's debug information tells, if it has any; nothing of it is read before it is asked for."""

    __slots__ = ("_answer", "_file", "_sections")

    def __init__(self, sections: DebugSections, file: str) -> None:
        """``file`` is the path as the user wrote it, for messages."""
        self._sections = sections
        self._file = file
        self._answer: DebugTypes | str | None = None

    def lines(self) -> LineTable:
        """Source lines by address; a table without rows says why it has none."""
        from gemel.builds.dwarf.lines import read_lines

        return read_lines(self._sections)

    def types(self) -> DebugTypes:
        """The types, variables and enumerators; DebugUnreadable (a BuildError) with the reason if none."""
        from gemel.builds.dwarf.debug_types import read_debug_types
        from gemel.builds.dwarf.fault import DebugUnreadable

        if self._answer is None:
            try:
                self._answer = read_debug_types(self._sections, self._file)
            except DebugUnreadable as error:
                self._answer = error.reason
                raise
        if isinstance(self._answer, str):
            raise DebugUnreadable(self._answer, self._file)
        return self._answer
