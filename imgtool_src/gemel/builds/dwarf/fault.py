"""The error of this room."""

from __future__ import annotations

from gemel.errors import BuildError, Problem


class DwarfFault(ValueError):
    """Debug information that does not keep the format; the text says what and where."""


class DebugUnreadable(BuildError):
    """The debug information cannot be read or does not keep the format; ``reason`` says it in a line."""

    def __init__(self, reason: str, file: str) -> None:
        """``file`` is the build's file as the user wrote it."""
        self.reason = reason
        super().__init__(
            Problem(
                "the debug information cannot be read",
                where=file,
                found=reason,
                expected="DWARF 2 to 5",
                next_step="build the file again with debug information (-g), and do not strip it",
            )
        )
